"""The warm process: jobs run in it, can be stopped at once, and a crash harms only the job that made it."""

import operator
import os
import threading
import time

import pytest

from identify.web.worker_process import JobFailed, Stopped, WorkerProcess


@pytest.fixture
def worker():
    started = WorkerProcess("test", time.time)
    started.start()
    yield started
    started.close()


def test_jobs_run_one_after_the_other_in_another_process(worker):
    first, second = worker.run(os.getpid), worker.run(os.getpid)
    assert first == second != os.getpid()
    assert worker.run(operator.add, 2, 3) == 5


def test_an_error_is_told_and_the_process_goes_on(worker):
    before = worker.run(os.getpid)
    with pytest.raises(JobFailed, match="ZeroDivisionError"):
        worker.run(operator.truediv, 1, 0)
    assert worker.run(os.getpid) == before


def test_a_crash_is_told_and_the_next_job_has_a_fresh_process(worker):
    before = worker.run(os.getpid)
    with pytest.raises(JobFailed, match="ended"):
        worker.run(os._exit, 7)
    assert worker.run(os.getpid) not in (before, os.getpid())


def test_a_job_is_stopped_at_once_even_while_it_waits_its_turn(worker):
    worker.run(os.getpid)
    running, waiting = threading.Event(), threading.Event()
    outcomes = []

    def job(stop):
        try:
            outcomes.append(worker.run(time.sleep, 30, stop=stop))
        except Stopped:
            outcomes.append("stopped")

    threads = [threading.Thread(target=job, args=(stop,)) for stop in (running, waiting)]
    started = time.monotonic()
    for thread in threads:
        thread.start()
        time.sleep(0.3)
    waiting.set()
    threads[1].join(5)
    assert threads[0].is_alive()
    running.set()
    threads[0].join(5)
    assert outcomes == ["stopped", "stopped"]
    assert time.monotonic() - started < 10
    assert worker.run(operator.add, 1, 1) == 2
