"""The table of a run: found of made, false alarms of clean frames, with confidence limits."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import Any

from tests.benchmarks.varied.rolls import ALLOWED, EXPECTED
from tether.film import FilmProcess

Row = dict[str, Any]

_Z = 1.959964
"""Of a normal distribution: 95 per cent lie within so many standard deviations."""
RIGHT_MM = 0.6
"""How far the farthest corner of an outline may be off. Real pictures are not quite of their
format's size, and a side that is not seen is put where the format has it."""
_VIEWS = ("rebate", "perforations", "wide", "tight", "mount")


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """Return the limits of a share at 95 per cent: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927)."""
    if not trials:
        return (0.0, 1.0)
    share, z2 = hits / trials, _Z**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    reach = _Z * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2)) / (1 + z2 / trials)
    return (max(0.0, middle - reach), min(1.0, middle + reach))


def is_found(row: Row) -> bool:
    """Whether a mishap was found."""
    return bool(EXPECTED[row["made"]] & set(row["codes"]))


def table(rows: list[Row], *, wrong: bool = False) -> Iterator[str]:
    """Yield the table as Markdown, and with ``wrong`` a line for each wrong row."""
    clean = [row for row in rows if not row["made"]]
    rolls = len({row["seed"] for row in rows})
    yield f"{rolls} rolls, {len(rows)} rows, {len(clean)} of them of clean frames."
    yield ""
    yield "| Mishap | all | 95 % | " + " | ".join(_VIEWS) + " | negatives | slides |"
    yield "| --- " + "| ---: " * (len(_VIEWS) + 4) + "|"
    for kind in EXPECTED:
        made = [row for row in rows if row["made"] == kind]
        if made:
            parts = [[r for r in made if r["view"] == view] for view in _VIEWS]
            slides = [r for r in made if r["film"] == "transparency"]
            parts += [[r for r in made if r not in slides], slides]
            low, high = wilson(sum(map(is_found, made)), len(made))
            cells = " | ".join(_cell(part) for part in parts)
            yield f"| {kind} | {_cell(made)} | {100 * low:.1f} to {100 * high:.1f} | {cells} |"
    yield ""
    yield f"| False alarm on {len(clean)} clean frames | frames | per 1,000 | 95 % |"
    yield "| --- | ---: | ---: | ---: |"
    alarms = Counter(code for row in clean for code in row["codes"])
    for code, count in [*alarms.most_common(), ("any", sum(bool(r["codes"]) for r in clean))]:
        low, high = wilson(count, len(clean))
        per = 1000 * count / max(1, len(clean))
        yield f"| {code} | {count} | {per:.1f} | {1000 * low:.1f} to {1000 * high:.1f} |"
    yield ""
    yield from _outlines(clean)
    if wrong:
        yield ""
        yield from _wrong(rows)


def _cell(rows: list[Row]) -> str:
    return f"{sum(map(is_found, rows))} / {len(rows)}" if rows else ""


def _outlines(clean: list[Row]) -> Iterator[str]:
    """Yield the table of outlines on clean frames whose rebate, or mount, is in view."""
    yield "| Outline, clean frames | right | wrong | not found | of |"
    yield "| --- | ---: | ---: | ---: | ---: |"
    seen = [row for row in clean if "outline" in row]
    groups = [
        (f"{film}, {view}", [r for r in seen if r["film"] == film and r["view"] == view])
        for film in FilmProcess
        for view in _VIEWS
    ]
    for name, rows in [*groups, ("all", seen)]:
        if rows:
            none = sum(row["outline"] is None for row in rows)
            right = sum(row["outline"] is not None and row["outline"] <= RIGHT_MM for row in rows)
            yield f"| {name} | {right} | {len(rows) - none - right} | {none} | {len(rows)} |"


def _wrong(rows: list[Row]) -> Iterator[str]:
    """Yield a line for each row that is not as it should be."""
    for row in rows:
        kind, codes = row["made"], set(row["codes"])
        place = f"{row['film']} {row['view']} {row['form']} seed {row['seed']} frame {row['frame']}"
        if kind and not is_found(row):
            yield f"missed {kind} {row.get('strength', '')} {sorted(codes)}: {place}"
        rest = codes - EXPECTED.get(kind, frozenset()) - ALLOWED.get(kind, frozenset())
        if rest:
            yield f"{kind or 'clean'} -> {', '.join(sorted(rest))}: {place}"
        if "outline" in row and not kind and (row["outline"] is None or row["outline"] > RIGHT_MM):
            yield f"outline {row['outline']}: {place}"
