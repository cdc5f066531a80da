"""The options that a sitting was started with: the command that goes on with a roll repeats them.

They are an archive's, as the camera and the settings file are the same from roll to roll. What is
read back is text to distrust: it ends in a line that a person pastes into a shell.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence

from tether.archive.store import Store
from tether.text import printable

_FACT = "options of the last start"
_MOST, _LONGEST = 12, 1000


def remember_options(store: Store, options: Sequence[str]) -> None:
    """Store what was written on the command line, each name with its value, to write it again."""
    before = options_of(store)
    if tuple(options) != before:
        store.set_fact(_FACT, json.dumps(list(options)) if options else None)


def options_of(store: Store, names: Collection[str] | None = None) -> tuple[str, ...]:
    """Return the options of the last start, none where they are not what this program stores.

    ``names`` are those that a command takes: others are left out with their values; None for all.
    """
    try:
        found = json.loads(store.fact(_FACT) or "[]")
    except ValueError:
        return ()
    if not isinstance(found, list) or len(found) > _MOST or len(found) % 2:
        return ()
    if not all(isinstance(x, str) and printable(x, _LONGEST) == x for x in found):
        return ()
    pairs = zip(found[::2], found[1::2], strict=True)
    return tuple(x for pair in pairs if names is None or pair[0] in names for x in pair)
