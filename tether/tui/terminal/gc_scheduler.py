"""When Python looks through all of its objects for garbage: in moments of rest, not under a key.

A full look takes 50 to 200 ms here, and comes whenever enough was made: by chance, that is, in
the middle of a key. The young objects, which are nearly all garbage, are still looked through at
any time; that takes a few milliseconds.
"""

from __future__ import annotations

import gc
import time

_REST_SECONDS = 3.0
"""Without a key or the mouse, before the moment is taken for a rest."""

_ENOUGH = 10
"""Looks through the middle-aged since the last full one, so that another is worth while."""

_NO_LONGER = 400
"""Such looks after which a full one is made as soon as nothing is under way, rest or not."""


class Calm:
    """Holds full collections back until nobody waits."""

    def __init__(self) -> None:
        self._touched = time.monotonic()
        young, middle, _ = gc.get_threshold()
        # What was loaded by now stays to the end: it need not be looked at again.
        gc.freeze()
        gc.set_threshold(young, middle, 1_000_000)

    def touched(self) -> None:
        """Take note of a key or of the mouse."""
        self._touched = time.monotonic()

    def look(self, *, busy: bool) -> None:
        """Collect if this is the moment; call it about once a second."""
        waiting = gc.get_count()[2]
        resting = time.monotonic() - self._touched > _REST_SECONDS
        if not busy and (waiting > _NO_LONGER or (resting and waiting > _ENOUGH)):
            gc.collect()
