"""Keeps decoder processes warm and asks them for pixels, so that no picture file can take the program down.

A decoder that crashes, hangs or runs out of memory is ended and the next photo gets a fresh one. Pixels
come through an anonymous pipe: nothing has a name, so nothing can be left behind. Starting one costs about
as long as decoding a 12-megapixel JPEG; call `DecodePool.start` early to hide it.
"""

import atexit
import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from features.decode_tags import CameraFacts
from features.kept_memory import as_environment

if TYPE_CHECKING:  # the decoders themselves are never loaded into this process
    from features.decode_pixels import NoteCode, PictureFormat, RefusalCode

_PACKAGE_ROOT = Path(__file__).resolve().parent.parent
_BOOT = (
    "import json, sys; sys.path.extend(json.loads(sys.argv.pop(1))); from features.decode_worker import main; main()"
)
_PIPE_BYTES = 1 << 20
_LONGEST_ANSWER = 1 << 16


@dataclass(frozen=True)
class DecodeLimits:
    """What a photo may cost.

    Attributes:
        max_pixels: checked against the declared size before any pixel is decoded.
        min_side_px: a smaller picture shows too little to measure.
        seconds: wall-clock time from request to last pixel, start of the process included.
        memory_bytes: address space of the decoder process (where the system can limit it).
    """

    max_pixels: int = 60_000_000
    min_side_px: int = 200
    seconds: float = 30.0
    memory_bytes: int = 2 << 30


@dataclass(frozen=True, eq=False)
class DecodedPixels:
    """What came back of one picture.

    Attributes:
        pixels_rgb: (height, width, 3) uint8, upright sRGB.
        stored_width_px, stored_height_px: size in the file, before it was turned upright.
        facts: the camera's geometry.
        notes: what was odd, code and particulars.
    """

    pixels_rgb: NDArray[np.uint8]
    stored_width_px: int
    stored_height_px: int
    facts: CameraFacts
    notes: "tuple[tuple[NoteCode, str], ...]"


@dataclass(frozen=True)
class DecodeFailure:
    """Why there are no pixels. Falsy."""

    code: "RefusalCode | Literal['crashed', 'timed_out', 'no_decoder']"
    detail: str = ""

    def __bool__(self) -> bool:
        return False


class _DecoderGoneError(Exception):
    """The decoder process closed its pipe or answered nonsense."""


class DecodeProcess:
    """One decoder process, started at construction.

    Args:
        limits: what a photo may cost.
        search_path: folders put before this program's own module search path.

    Raises:
        OSError: the process cannot be started.
    """

    def __init__(self, limits: DecodeLimits, search_path: Sequence[Path] = ()) -> None:
        self._limits = limits
        self._ready = False
        own = [entry for entry in sys.path if entry and Path(entry).exists()]
        modules = json.dumps([*map(str, search_path), str(_PACKAGE_ROOT), *own])
        # -I -S: nothing from the environment or the current folder, and a quick start; -B: writes no bytecode
        command = [sys.executable, "-I", "-S", "-B", "-c", _BOOT, modules, str(limits.memory_bytes)]
        self._process = subprocess.Popen(
            command,
            bufsize=0,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=Path(sys.executable).parent,
            env={**os.environ, **as_environment()},
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._requests = self._process.stdin
        self._answers = self._process.stdout
        _widen_pipe(self._answers.fileno())

    @property
    def pid(self) -> int:
        """Process id, for tests that harm the decoder."""
        return self._process.pid

    @property
    def is_alive(self) -> bool:
        """False once the process has ended."""
        return self._process.poll() is None

    def decode(self, data: bytes, picture_format: "PictureFormat") -> DecodedPixels | DecodeFailure:
        """Decode one picture. After a failure other than a refusal the process has ended."""
        late = threading.Event()

        def end() -> None:
            late.set()
            self._process.kill()

        timer = threading.Timer(self._limits.seconds, end)
        timer.start()
        try:
            if not self._ready:
                self._read_answer()
                self._ready = True
            with contextlib.suppress(BrokenPipeError):  # it ended early: what it said before tells more
                self._send(data, picture_format)
            return self._receive()
        except (_DecoderGoneError, OSError) as error:
            self.close()
            if late.is_set():
                return DecodeFailure("timed_out", f"{self._limits.seconds:g} s")
            return DecodeFailure("crashed" if self._ready else "no_decoder", str(error))
        except MemoryError:  # no room for the pixels in this process
            self.close()
            return DecodeFailure("out_of_memory")
        except BaseException:  # interrupted: what is still in the pipe belongs to no one
            self.close()
            raise
        finally:
            timer.cancel()

    def close(self) -> None:
        """End the process and leave nothing of it."""
        self._process.kill()
        self.close_pipes()
        self._process.wait()

    def close_pipes(self) -> None:
        """Let go of the pipes only (after a fork the process belongs to the parent)."""
        for pipe in (self._requests, self._answers):
            with contextlib.suppress(OSError):
                pipe.close()

    def _send(self, data: bytes, picture_format: "PictureFormat") -> None:
        request = {
            "format": picture_format,
            "size": len(data),
            "max_pixels": self._limits.max_pixels,
            "min_side_px": self._limits.min_side_px,
            "seconds": self._limits.seconds,
        }
        for part in (json.dumps(request).encode("ascii") + b"\n", data):
            view = memoryview(part)
            while view:
                view = view[self._requests.write(view) :]

    def _receive(self) -> DecodedPixels | DecodeFailure:
        answer = self._read_answer()
        try:
            if "refused" in answer:
                return DecodeFailure(cast("RefusalCode", str(answer["refused"])), str(answer["detail"]))
            width, height = int(answer["width"]), int(answer["height"])
            stored_width, stored_height = (int(side) for side in answer["stored"])
            facts = CameraFacts(**answer["facts"])
            notes = tuple((cast("NoteCode", str(code)), str(detail)) for code, detail in answer["notes"])
        except (KeyError, TypeError, ValueError) as error:
            raise _DecoderGoneError("nonsense in place of an answer") from error
        if min(width, height) < 1 or width * height > self._limits.max_pixels:
            raise _DecoderGoneError("an impossible picture size")
        pixels = np.empty((height, width, 3), np.uint8)
        self._fill(pixels)
        return DecodedPixels(pixels, stored_width, stored_height, facts, notes)

    def _read_answer(self) -> Mapping[str, Any]:
        line = self._answers.readline(_LONGEST_ANSWER)
        if not line.endswith(b"\n"):
            raise _DecoderGoneError("the decoder ended without an answer")
        try:
            answer = json.loads(line)
        except ValueError as error:
            raise _DecoderGoneError("nonsense in place of an answer") from error
        if not isinstance(answer, dict):
            raise _DecoderGoneError("nonsense in place of an answer")
        return answer

    def _fill(self, pixels: NDArray[np.uint8]) -> None:
        view = memoryview(cast(Any, pixels.reshape(-1)))
        # mypy knows Popen pipes as IO[bytes], which has no readinto; unbuffered ones are FileIO.
        answers = cast(Any, self._answers)
        while view:
            count = answers.readinto(view)
            if not count:
                raise _DecoderGoneError("the decoder ended in the middle of the pixels")
            view = view[count:]


class DecodePool:
    """At most `processes` decoder processes, started when needed and kept. Safe to use from threads."""

    def __init__(
        self, processes: int = 2, limits: DecodeLimits | None = None, search_path: Sequence[Path] = ()
    ) -> None:
        self._limits = limits or DecodeLimits()
        self._search_path = search_path
        self._places = threading.BoundedSemaphore(processes)
        self._idle: list[DecodeProcess] = []
        self._lock = threading.Lock()

    def start(self) -> None:
        """Begin to start one process without waiting for it. Failing is left to the first `decode`."""
        if not self._idle:
            with contextlib.suppress(OSError):
                self._give_back(self._take())

    def decode(self, data: bytes, picture_format: "PictureFormat") -> DecodedPixels | DecodeFailure:
        """Decode one picture in a process of the pool; waits while all are busy."""
        with self._places:
            try:
                process = self._take()
            except OSError as error:
                return DecodeFailure("no_decoder", str(error))
            try:
                return process.decode(data, picture_format)
            finally:
                self._give_back(process)

    def close(self) -> None:
        """End all idle processes; the pool starts new ones if it is used again."""
        with self._lock:
            idle, self._idle = self._idle, []
        for process in idle:
            process.close()

    def forget(self) -> list[DecodeProcess]:
        """After a fork: let go of the parent's processes without ending them."""
        for process in self._idle:
            process.close_pipes()
        return self._idle

    def _take(self) -> DecodeProcess:
        with self._lock:
            while self._idle:
                process = self._idle.pop()
                if process.is_alive:
                    return process
                process.close()
        return DecodeProcess(self._limits, self._search_path)

    def _give_back(self, process: DecodeProcess) -> None:
        if process.is_alive:
            with self._lock:
                self._idle.append(process)
        else:
            process.close()


def _widen_pipe(descriptor: int) -> None:
    """Fewer switches between the two processes, where the system allows it (Linux)."""
    try:
        import fcntl

        fcntl.fcntl(descriptor, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
    except (ImportError, AttributeError, OSError):
        pass


_pool = DecodePool()
_not_ours: list[DecodeProcess] = []


def shared_pool() -> DecodePool:
    """The program's pool. Its processes end with the program."""
    return _pool


def _after_fork() -> None:
    global _pool
    _not_ours.extend(_pool.forget())  # kept, so that their destructors do not speak up
    _pool = DecodePool()


atexit.register(lambda: _pool.close())
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_after_fork)
