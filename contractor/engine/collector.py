"""Python's collector of cyclic garbage, paused while much that lasts is made at once."""

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["collector_paused", "keep_for_good"]

# From so many new objects on, less those let go of, a collection begins; each third goes through
# what outlived one before, each third of those through all. So garbage in cycles waits for some
# hundred thousand new objects at most, tens of MB; our own.
NEW_OBJECTS = 50_000
YOUNG_PER_OLDER = 2

_lock = threading.Lock()
_inside = 0
_was_on = True


@contextmanager
def collector_paused() -> Iterator[None]:
    """Let no collection begin meanwhile, in any thread.

    New objects set collections off, and each of the larger ones goes through all that the process
    holds: half of what the reasons of 2,000 jobs took. What is made here lasts and has no cycles,
    so they would find nothing.
    """
    global _inside, _was_on
    with _lock:
        if _inside == 0:
            _was_on = gc.isenabled()
            gc.disable()
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0 and _was_on:
                gc.enable()


def keep_for_good() -> None:
    """Let collections pass over all that there is now: for a process that has just begun.

    Modules and tables of a loaded service are some 270,000 objects, which each full collection
    would go through again, for a sixth of a second in which no request is answered. A page or a
    plan makes some ten thousand more and lets go of nearly all of them by itself: with Python's
    own limit of 700 each set off a dozen collections and more, the longest through all of these.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(NEW_OBJECTS, YOUNG_PER_OLDER, YOUNG_PER_OLDER)
