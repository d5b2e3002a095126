"""Objects that hold each other are freed when it is asked for, those that were there before not."""

from __future__ import annotations

import gc
import weakref

from veinfit.memory import freeing_new_objects


class Held:
    """Holds itself, as a figure and what is drawn in it do."""

    def __init__(self) -> None:
        self.itself = self


def test_new_objects_in_a_circle_are_freed_and_older_ones_not_looked_at() -> None:
    gc.disable()
    try:
        older = weakref.ref(Held())
        with freeing_new_objects() as free:
            newer = weakref.ref(Held())
            assert newer() is not None
            free()
            assert newer() is None and older() is not None
        gc.collect()
        assert older() is None
    finally:
        gc.enable()
