"""Two at a time, as a barrier of two (threading) tells: it lets nobody pass alone."""

import threading

import pytest

from features.two_at_once import two_at_once


def test_two_are_at_work_and_what_they_make_comes_in_order():
    both = threading.Barrier(2, timeout=10)
    assert two_at_once(lambda n: (both.wait() >= 0, n), range(6)) == [(True, n) for n in range(6)]


def test_an_error_is_raised():
    with pytest.raises(ZeroDivisionError):
        two_at_once(lambda n: 1 / n, [1, 0, 2])
