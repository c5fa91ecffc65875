"""Which threads do the arithmetic: several share independent chunks, a worker among others keeps to its own."""

from __future__ import annotations

import threading

import numpy as np
from threadpoolctl import threadpool_info, threadpool_limits

from forecasting.threads import in_threads, one_thread, steady_algebra


def algebra_threads() -> set[int]:
    np.ones((2, 2)) @ np.ones((2, 2))
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


def test_a_worker_among_others_keeps_to_its_thread_and_lets_go_of_the_limit() -> None:
    with threadpool_limits(2):
        before = algebra_threads()
        with one_thread():
            assert algebra_threads() == {1}
            assert (
                in_threads(lambda _: threading.current_thread(), [1, 2, 3])
                == [threading.current_thread()] * 3
            )
        assert algebra_threads() == before
        with steady_algebra():
            assert algebra_threads() == {1}


def test_answers_come_in_the_order_of_the_questions_however_they_are_shared_out() -> None:
    asked = list(range(40))
    with one_thread():
        alone = in_threads(lambda number: number**2, asked)
    assert in_threads(lambda number: number**2, asked) == alone == [number**2 for number in asked]
