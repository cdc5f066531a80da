"""What was measured of a picture, as it is stored: read once and typed, written back.

Stored facts come from outside: an older program, a newer one, a damaged disk. So a value that is
not what it should be counts as not known, the finding ``facts-damaged`` names it, and keys that are
not known here stay where they are. The keys are in docs/json.md.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from tether.findings import Finding, Severity, Verdict
from tether.text import parsed_json, printable

ExposureValues = tuple[float | None, float | None, float | None]
"""Seconds, ISO and f-number at which a picture was taken; None where not known."""
Corners = tuple[tuple[float, float], ...]
"""Of an outline as (x, y) in photosites: top left, top right, bottom right, bottom left."""

_NONE: dict[str, Any] = {}
"""No values; nobody writes to it."""


class StoredFinding(NamedTuple):
    """A finding as it was stored, perhaps by another version of the program.

    Its code may be one that the catalogue does not have. Texts are safe to show.
    """

    code: str
    severity: Severity
    text: str
    action: str = ""


class StoredFraming(NamedTuple):
    """Where the picture lies, as it was stored; see `tether.measure.framing.position.Framing`."""

    corners: Corners | None
    seen: tuple[str, ...]
    rotation_degrees: float | None
    missing_mm: Mapping[str, float]
    sound: bool
    """Whether all of it is known, and what it should be."""


class StoredHistogram(NamedTuple):
    """Photosites by their level: ``counts`` per channel in steps of ``bin_ev`` stops."""

    counts: Mapping[str, tuple[float, ...]]
    lowest_ev: float = -10.0
    bin_ev: float = 0.25

    def rows(self) -> dict[str, tuple[float, ...]]:
        """Return a row a colour, R, G and B first; the two greens as one, unless they differ.

        They differ where more photosites lie in other bins than chance puts there: counts scatter
        by their square root (Poisson), three times of which is allowed.
        """
        rows: dict[str, tuple[float, ...]] = {}
        for name in sorted(self.counts, key=lambda name: ("RGB".find(name[:1]), name)):
            alike = [row for other, row in self.counts.items() if other[:1] == name[:1]]
            rows[name] = self.counts[name]
            if len(alike) == 2 and not _differ(*alike):
                del rows[name]
                rows[name[:1]] = tuple(a + b for a, b in zip(*alike, strict=True))
        return rows


def _differ(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    if len(one) != len(other):
        return True
    pairs = list(zip(one, other, strict=True))
    return sum(abs(a - b) for a, b in pairs) > 3 * sum(math.sqrt(max(a + b, 0)) for a, b in pairs)


class Facts(NamedTuple):
    """What was measured of a picture.

    Attributes
    ----------
    stored
        All of it as it is stored, with keys of other versions; what is written back.
    verdict, findings
        What the findings add up to, and the findings, gravest first.
    framing
        Where the picture lies, None where its edges were not seen.
    base_ev, base, base_source
        The film's base: level of its strongest channel, signal per channel, where it was seen.
    headroom_picture_ev, headroom_ev, saturated_picture
        Per channel, of the picture, of all that is in view, and of the picture.
    sharpness, advice_shutter, histogram
        None where there is none.
    specks
        Row and column of what may be dust on the film, as shares of height and width.
    base_side
        Whether the base side of the film faced the lens, by its bar code or as a person saw it;
        None where nothing tells.
    """

    stored: Mapping[str, Any] = _NONE
    verdict: Verdict = Verdict.UNJUDGED
    findings: tuple[StoredFinding, ...] = ()
    framing: StoredFraming | None = None
    base_ev: float | None = None
    base: Mapping[str, float] = _NONE
    base_source: str = ""
    headroom_picture_ev: Mapping[str, float] = _NONE
    headroom_ev: Mapping[str, float] = _NONE
    saturated_picture: Mapping[str, float] = _NONE
    sharpness: float | None = None
    advice_shutter: str | None = None
    histogram: StoredHistogram | None = None
    base_side: bool | None = None
    specks: tuple[tuple[float, float], ...] = ()

    @classmethod
    def read(cls, stored: object) -> Facts:
        """Read facts as they came out of JSON."""
        if not isinstance(stored, Mapping):
            return cls({}, findings=(_damaged("all of it"),))
        reader = _Reader(stored)
        findings = _findings(reader)
        return cls(
            stored=stored,
            verdict=Verdict(reader.text("verdict") or Verdict.UNJUDGED),
            framing=_framing(reader),
            base_ev=reader.number("base_ev"),
            base=reader.numbers("base"),
            base_source=reader.text("base_source"),
            headroom_picture_ev=reader.numbers("headroom_picture_ev"),
            headroom_ev=reader.numbers("headroom_ev"),
            saturated_picture=reader.numbers("saturated_picture"),
            sharpness=reader.number("sharpness"),
            advice_shutter=reader.text("advice_shutter") or None,
            histogram=_histogram(reader),
            base_side=_base_side(reader),
            specks=_specks(reader),
            findings=(*findings, _damaged(", ".join(reader.damaged)))
            if reader.damaged
            else findings,
        )

    @classmethod
    def from_text(cls, text: str) -> Facts:
        """Read facts from a database's row."""
        try:
            return cls.read(parsed_json(text))
        except ValueError:
            return cls.read(text)

    def has(self, *codes: str) -> bool:
        """Whether one of the findings has one of the codes."""
        return any(f.code in codes for f in self.findings)

    @property
    def seen_base_ev(self) -> float | None:
        """The base's level where it was in view; None where it is the roll's, or a guess."""
        return None if self.base_source in ("roll", "picture") else self.base_ev

    @property
    def rotation_degrees(self) -> float | None:
        """How the picture is turned, positive clockwise; None where its edges were not seen."""
        return self.framing.rotation_degrees if self.framing else None

    @property
    def texts(self) -> tuple[str, ...]:
        """The sentences of the findings, gravest first."""
        return tuple(f.text for f in self.findings if f.text)


class _Reader:
    """Takes typed values out of what was stored, and notes the keys that are of another type."""

    def __init__(self, stored: Mapping[str, Any]) -> None:
        self._stored = stored
        self.damaged: list[str] = []

    def value(self, key: str, *kinds: type) -> Any:
        """Return a value if it is of one of the kinds, else None."""
        value = self._stored.get(key)
        if value is None or (isinstance(value, kinds) and not isinstance(value, bool)):
            return value
        self.note(key)
        return None

    def note(self, key: str) -> None:
        """Note that a value is not what it should be."""
        if key not in self.damaged:
            self.damaged.append(key)

    def flag(self, key: str) -> bool | None:
        """Return true or false, None for neither."""
        value = self._stored.get(key)
        return value if isinstance(value, bool) else None

    def text(self, key: str, longest: int = 500) -> str:
        """Return a text that is safe to show, "" for none."""
        return printable(self.value(key, str) or "", longest)

    def number(self, key: str) -> float | None:
        """Return a number, None for none."""
        value = self.value(key, int, float)
        if value is None or math.isfinite(value):
            return None if value is None else float(value)
        self.note(key)
        return None

    def numbers(self, key: str) -> dict[str, float]:
        """Return named numbers; null for one that is not known is left out."""
        inner = _Reader(self.value(key, Mapping) or {})
        named = {printable(name, 12): inner.number(name) for name in inner._stored}
        if inner.damaged:
            self.note(key)
        return {name: value for name, value in named.items() if value is not None}


def _damaged(keys: str) -> StoredFinding:
    finding = Finding.of("facts-damaged", keys=printable(keys, 100))
    return StoredFinding(finding.code, finding.severity, finding.text, finding.action)


def _findings(reader: _Reader) -> tuple[StoredFinding, ...]:
    findings = []
    for item in reader.value("findings", list, tuple) or ():
        if not isinstance(item, Mapping):
            reader.note("findings")
            continue
        inner = _Reader(item)
        code, severity = inner.text("code", 60), inner.text("severity", 20)
        text, action = inner.text("text"), inner.text("action")
        findings.append(StoredFinding(code, Severity(severity or "look"), text, action))
        if inner.damaged:
            reader.note("findings")
    return tuple(findings)


def _base_side(reader: _Reader) -> bool | None:
    code = reader.value("edge_code", Mapping) or _NONE
    for said in (reader.flag("base_side_to_lens"), _Reader(code).flag("base_side_to_lens")):
        if said is not None:
            return said
    return None


def _specks(reader: _Reader) -> tuple[tuple[float, float], ...]:
    try:
        stored = reader.value("specks", list, tuple) or ()
        specks = tuple((float(down), float(across)) for down, across in stored)
    except (TypeError, ValueError):
        specks = ((math.nan, math.nan),)
    if all(0 <= share <= 1 for speck in specks for share in speck):
        return specks
    reader.note("specks")
    return ()


def _framing(reader: _Reader) -> StoredFraming | None:
    stored = reader.value("framing", Mapping)
    if stored is None:
        return None
    inner = _Reader(stored)
    corners: Corners = ()
    try:
        corners = tuple((float(x), float(y)) for x, y in inner.value("corners", list, tuple) or ())
    except (TypeError, ValueError):
        inner.note("corners")
    missing = inner.numbers("missing_mm")
    framing = StoredFraming(
        corners if len(corners) == 4 else None,
        tuple(str(side) for side in inner.value("seen", list, tuple) or ()),
        inner.number("rotation_degrees"),
        missing,
        sound=not inner.damaged and len(missing) == len(stored.get("missing_mm") or ()),
    )
    if inner.damaged:
        reader.note("framing")
    return framing


def _histogram(reader: _Reader) -> StoredHistogram | None:
    stored = reader.value("histogram", Mapping)
    if stored is None:
        return None
    inner = _Reader(stored)
    lowest, step = inner.number("lowest_ev"), inner.number("bin_ev")
    try:
        counts = {
            printable(name, 12): tuple(float(count) for count in row)
            for name, row in (inner.value("counts", Mapping) or {}).items()
        }
    except (TypeError, ValueError):
        inner.note("counts")
    if inner.damaged:
        reader.note("histogram")
        return None
    return StoredHistogram(
        counts, -10.0 if lowest is None else lowest, 0.25 if step is None else step
    )
