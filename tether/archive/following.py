"""The roll that follows: the next on the list, or one like the last with the next number."""

from __future__ import annotations

import re
from dataclasses import replace

from tether.archive.records import NewRoll, Roll
from tether.archive.store import Store
from tether.description import RollDescription

_NUMBER = re.compile(r"(\d+)(?=\D*$)")
_OF_THE_ROLL_ALONE = ("date", "place", "subject", "people", "sleeve", "identifiers", "former_names")
"""Facts that are not taken over: they are seldom those of the next roll."""


def following_roll(store: Store, roll: Roll) -> NewRoll:
    """Return the roll to begin after one: nothing has to be typed again.

    Of the list it is the first one; its kind of film, where not known, is that of the last roll.
    Else it has the next number that is free in its name, and what was said of the last roll.
    """
    waiting = store.waiting.next()
    if waiting is not None:
        known = waiting.film_known
        return waiting.new if known else replace(waiting.new, process=roll.process)
    name = roll.name
    while store.rolls.has(name) or store.waiting.has(name) or store.rolls.formerly(name):
        name = _counted_on(name)
    said = roll.description.stored
    kept = {key: value for key, value in said.items() if key not in _OF_THE_ROLL_ALONE}
    return replace(
        roll.as_new(), name=name, notes="", description=RollDescription.read(kept)
    ).checked()


def _counted_on(name: str) -> str:
    """Return a name with its last number one higher, or with a 2 where it has none."""
    if not _NUMBER.search(name):
        return f"{name} 2"
    return _NUMBER.sub(lambda found: f"{int(found[1]) + 1:0{len(found[1])}d}", name, count=1)
