"""Text from outside made safe to show, and numbers made pleasant to read."""

from __future__ import annotations

import json
import unicodedata
from typing import Any

# Cc and Cf hold escape sequences and the marks that turn the writing direction around, Cs lone
# surrogates, Zl and Zp line breaks: none may reach a terminal or a log line from outside.
_UNSHOWN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def printable(text: str, limit: int = 200) -> str:
    """Return ``text`` on one line with everything that could steer a terminal replaced.

    Parameters
    ----------
    text
        Any text: a camera's file name, a note, a path.
    limit
        Longest result in characters; what is cut off is marked with an ellipsis.
    """
    safe = "".join("\N{REPLACEMENT CHARACTER}" if is_control(c) else c for c in text)
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"


def parsed_json(text: str | bytes) -> Any:
    """Parse JSON that nobody vouches for.

    Raises
    ------
    ValueError
        When it is none, or is nested too deeply.
    """
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def is_control(character: str) -> bool:
    """Tell whether a character steers or hides instead of showing something."""
    return unicodedata.category(character) in _UNSHOWN


def megabytes(size: float) -> str:
    """Return a byte count in the unit that a person would use, for example ``91 MB``."""
    for unit, factor in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= factor:
            value = size / factor
            return f"{value:.1f} {unit}" if value < 10 else f"{value:.0f} {unit}"
    return plural(round(size), "byte")


def stops(ev: float) -> str:
    """Return a number of stops in words with its sign, for example ``+0.3 stops``."""
    return f"{ev:+.1f} stops" if abs(abs(ev) - 1) > 0.05 else f"{ev:+.0f} stop"


def percent(share: float) -> str:
    """Return a share in per cent, as exact as it is of use: ``37 %``, ``5.6 %``, ``0.013 %``."""
    value = 100 * share
    if 0 < value < 0.001:
        return "under 0.001 %"
    if value >= 10:
        return f"{value:.0f} %"
    return f"{value:.1f} %" if value >= 1 else f"{value:.2g} %"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Return ``1 frame`` or ``3 frames``."""
    return f"{count} {one if count == 1 else many or one + 's'}"
