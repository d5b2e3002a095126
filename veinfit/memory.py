"""Memory that is free, handed back between stages."""

from __future__ import annotations

import ctypes
import sys


def give_back_memory() -> None:
    """Hand free memory back to the system where its allocator keeps it (GNU C library).

    A stage that needs much for a moment would otherwise leave the next one to add to it.
    """
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries have none
    if trim is not None:
        trim(0)
