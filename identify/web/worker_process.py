"""A warm process for work on photos: it keeps the pages quick, survives a crash, and can be stopped at once."""

import contextlib
import multiprocessing
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

_LOOK_AGAIN_SECONDS = 0.05
LONGEST_JOB_SECONDS = 180.0


class Stopped(Exception):  # noqa: N818 - it is named after what it tells the user
    """The job was given up, because somebody asked for it or because it took too long."""


class JobFailed(RuntimeError):  # noqa: N818 - it is named after what it tells the user
    """The job met an error of the program's own; the message is for the log."""


@dataclass(frozen=True)
class _Job:
    function: Callable[..., Any]
    arguments: tuple[Any, ...]


class WorkerProcess:
    """One process that does one job after the other.

    Jobs wait for each other. A job that is stopped takes its process with it; the next one gets a fresh process,
    which costs it about as long as starting the program.

    Args:
        name: for lists of processes.
        warm_up: called once in each new process, before the first job.
    """

    def __init__(self, name: str, warm_up: Callable[[], object]) -> None:
        self._name = name
        self._warm_up = warm_up
        self._turn = threading.Lock()
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None

    def start(self) -> None:
        """Start the process without waiting for it."""
        with self._turn:
            self._ready()

    def run(self, function: Callable[..., Any], *arguments: Any, stop: threading.Event | None = None) -> Any:
        """Do one job and wait for it.

        Args:
            function: of a module; arguments: what it is called with, all of it picklable.
            stop: the job is given up once this is set.

        Raises:
            Stopped: it was given up.
            JobFailed: it raised an exception, or its process ended.
        """
        stop = stop or threading.Event()
        while not self._turn.acquire(timeout=_LOOK_AGAIN_SECONDS):
            if stop.is_set():
                raise Stopped
        try:
            return self._done(_Job(function, arguments), stop)
        finally:
            self._turn.release()

    def close(self) -> None:
        """End the process."""
        with self._turn:
            self._end()

    def _done(self, job: _Job, stop: threading.Event) -> Any:
        pipe = self._ready()
        deadline = time.monotonic() + LONGEST_JOB_SECONDS
        try:
            pipe.send(job)
            while not pipe.poll(_LOOK_AGAIN_SECONDS):
                if stop.is_set() or time.monotonic() > deadline:
                    self._end()
                    raise Stopped
            worked, outcome = pipe.recv()
        except (EOFError, OSError) as error:
            self._end()
            raise JobFailed("the working process ended") from error
        if not worked:
            raise JobFailed(outcome)
        return outcome

    def _ready(self) -> Connection:
        if self._process is None or self._pipe is None or not self._process.is_alive():
            self._end()
            context = multiprocessing.get_context("spawn")
            self._pipe, theirs = context.Pipe()
            arguments = (theirs, self._warm_up)
            self._process = context.Process(target=_work, args=arguments, name=self._name, daemon=True)
            self._process.start()
            theirs.close()
        return self._pipe

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process = None
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None


def _work(pipe: Connection, warm_up: Callable[[], object]) -> None:
    """The life of the process: jobs until the other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl+C is for the server, which ends this process itself
    warm_up()
    with contextlib.suppress(EOFError, OSError):
        while True:
            job = pipe.recv()
            try:
                answer = True, job.function(*job.arguments)
            except Exception as error:
                answer = False, f"{type(error).__name__}: {error}"
            pipe.send(answer)
