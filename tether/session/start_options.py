"""The options that a sitting was started with: the command that goes on with a roll repeats them.

They are an archive's, as the camera and the settings file are the same from roll to roll. What is
read back is text to distrust: it ends in a line that a person pastes into a shell.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from tether.session.store import Store
from tether.text import printable

_FACT = "options of the last start"
_MOST, _LONGEST = 12, 1000


def remember_options(store: Store, options: Sequence[str]) -> None:
    """Store what was written on the command line, so that it is written there again."""
    before = options_of(store)
    if tuple(options) != before:
        store.set_fact(_FACT, json.dumps(list(options)) if options else None)


def options_of(store: Store) -> tuple[str, ...]:
    """Return the options of the last start, none where they are not what this program stores."""
    try:
        found = json.loads(store.fact(_FACT) or "[]")
    except ValueError:
        return ()
    if not isinstance(found, list) or len(found) > _MOST:
        return ()
    sound = all(isinstance(x, str) and printable(x, _LONGEST) == x for x in found)
    return tuple(found) if sound else ()
