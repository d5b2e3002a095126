"""Memory that is free, handed back between stages."""

from __future__ import annotations

import ctypes
import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


def give_back_memory() -> None:
    """Hand free memory back to the system where its allocator keeps it (GNU C library).

    A stage that needs much for a moment would otherwise leave the next one to add to it.
    """
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries have none
    if trim is not None:
        trim(0)


@contextmanager
def freeing_new_objects() -> Iterator[Callable[[], None]]:
    """Give a function that frees what was made since, and is not used any more.

    It frees objects that hold each other in circles, as drawings do, and hands their memory
    back. What was there before is not looked at: that would take a tenth of a second each time.
    """

    def free() -> None:
        gc.collect()
        give_back_memory()

    gc.freeze()
    try:
        yield free
    finally:
        gc.unfreeze()
