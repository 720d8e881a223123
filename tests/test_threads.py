"""Linear algebra on one thread while a photo is measured, and as before afterwards (read back by threadpoolctl)."""

from __future__ import annotations

import threading

import numpy as np
import pytest
import scipy.linalg  # noqa: F401 - brings a BLAS of its own
from threadpoolctl import threadpool_info, threadpool_limits

from blurscope._threads import one_blas_thread


def threads() -> set[int]:
    np.eye(3) @ np.eye(3)
    return {x["num_threads"] for x in threadpool_info() if x["user_api"] == "blas"}


@pytest.fixture
def two_threads():
    with threadpool_limits(2, user_api="blas"):
        if threads() != {2}:
            pytest.skip("no BLAS whose threads can be set")
        yield


def test_one_inside_and_as_before_after_an_error(two_threads):
    with pytest.raises(KeyError), one_blas_thread():
        assert threads() == {1}
        with one_blas_thread():
            assert threads() == {1}
        assert threads() == {1}
        raise KeyError
    assert threads() == {2}


def test_users_on_other_threads_that_leave_in_any_order(two_threads):
    entered, leave = threading.Event(), threading.Event()

    def other():
        with one_blas_thread():
            entered.set()
            leave.wait(10)

    worker = threading.Thread(target=other)
    with one_blas_thread():
        worker.start()
        assert entered.wait(10)
    leave.set()
    worker.join()
    assert threads() == {2}


def test_records_are_reduced_on_one_thread_also_in_the_processes(two_threads):
    from blurscope.trace.api import _in_parallel

    seen = _in_parallel(_threads_seen, range(6), 2, None)
    assert seen == [{1}] * 6
    assert _in_parallel(_threads_seen, range(2), 1, None) == [{1}] * 2
    assert threads() == {2}


def _threads_seen(_number: int) -> set[int]:
    return threads()
