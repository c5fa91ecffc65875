"""Python's search for circles of objects that hold each other, put off while very many are made that all stay.

The search walks through everything that is alive whenever a quarter more has come: of a file of a hundred thousand rows
it took two fifths of the reader's time, and found nothing. Objects outside of circles go at once as ever.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Of two that overlap, in threads or one within the other, the one that put the search off takes it up again."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


@contextmanager
def seldom_collected() -> Iterator[None]:
    """For work that drops most of what it makes: what is young is searched, what has stayed for a while hardly ever."""
    often = gc.get_threshold()
    gc.set_threshold(5_000, 10, 1_000)
    try:
        yield
    finally:
        gc.set_threshold(*often)
