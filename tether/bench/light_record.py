"""What is kept of a roll's light: its open gate as the flat field, and its calibrated base.

Both stand in ``bench/light.json`` in the roll's folder, beside the raw files that they were
measured on. The file is replaced as a whole, so a stop at any moment leaves the old one or the
new one, and it moves with the folder. What is read from it is untrusted.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tether.archive.fact_files import FactFileUnusable, read_json, write_json
from tether.archive.layout import BENCH_FOLDER, is_safe_name
from tether.archive.open_roll import OpenRoll
from tether.capture.bench_shots import BenchShot
from tether.settings import LAMP, STROBE
from tether.text import printable

if TYPE_CHECKING:  # numpy would slow the program's start
    from tether.measure.roll.memory import OpenGate, RollMemory

LIGHT_FILE = "light.json"
VERSION = 1
_MOST_CHANNELS = 8
_MOST_CELLS = 512
_DIGITS = 6
_ROLLS_BACK = 50
"""Among so many of the newest rolls a light test of the same bench is looked for."""
_WRONG = (KeyError, TypeError, ValueError, OverflowError)
"""What a part raises that this program did not write."""

Grid = tuple[tuple[tuple[float, ...], ...], ...]


@dataclass(frozen=True, slots=True)
class KeptGate:
    """The open gate: light relative to saturation, ``grid`` of (channels, rows, columns).

    ``uneven_percent`` is how much less light its darkest part has, 0 where it is not known. One
    that a ``strobe`` lit tells how evenly its light falls, and not how much of it a lamp would give
    later on: its exposure is not handed on. ``bench`` is the name of the bench, and ``roll`` of the
    roll in whose folder its file lies, "" for this one.
    """

    shot: BenchShot
    channels: tuple[str, ...]
    grid: Grid
    uneven_percent: float = 0.0
    strobe: bool = False
    bench: str = ""
    roll: str = ""

    def as_open_gate(self) -> OpenGate:
        """Return it as the measurements have it."""
        import numpy as np

        from tether.measure.roll.memory import OpenGate

        return OpenGate(
            self.channels,
            np.array(self.grid, np.float32),
            (None, None, None) if self.strobe else self.shot.exposure,
            self.shot.taken_at,
            self.uneven_percent,
        )


@dataclass(frozen=True, slots=True)
class KeptBase:
    """The roll's calibrated base (of a transparency: its highlights), relative to saturation.

    ``seen`` says where: see `tether.measure.exposure.calibration.Seen`; ``strobe`` whether one lit
    it, None
    where an older program did not store it.
    """

    shot: BenchShot
    seen: str
    signal: Mapping[str, float] = field(default_factory=dict)
    strobe: bool | None = False


@dataclass(frozen=True, slots=True)
class KeptLight:
    """What is known of a roll's light; each part None until it was measured."""

    gate: KeptGate | None = None
    base: KeptBase | None = None

    @property
    def since(self) -> int:
        """How many captures the roll had when its light was last looked at."""
        return max((part.shot.after for part in (self.gate, self.base) if part), default=0)

    def base_under(self, *, strobe: bool) -> KeptBase | None:
        """Return the base that was calibrated under this kind of light."""
        return self.base if self.base and self.base.strobe in (None, strobe) else None

    def applied_to(self, memory: RollMemory, *, strobe: bool = False) -> RollMemory:
        """Return a roll's memory with this light in it, for a picture that a ``strobe`` lit or not.

        The calibrated base stands for the roll's until a later frame shows its rebate; of a
        transparency, which shows none, its highlights do all along. One that was calibrated under
        the other kind of light tells nothing: how the two compare is not known.
        """
        from tether.measure.roll.memory import KnownBase

        if self.gate is not None:
            gate, before = self.gate.as_open_gate(), memory.open_gate
            if before is not None and before.taken_at == gate.taken_at:
                gate = replace(gate, uneven_percent=0.0)  # a kept frame's verdict has said it
            memory = memory.with_open_gate(gate)
        base = self.base_under(strobe=strobe)
        if base is not None and base.shot.after >= _last_seen(memory):
            known = KnownBase(dict(base.signal), base.shot.exposure)
            memory = replace(memory, base=known)
        return memory


def _last_seen(memory: RollMemory) -> int:
    """Which capture last showed its rebate; 0 for none."""
    import numpy as np

    from tether.measure.roll.drift import LEVEL, ORDER

    if memory.records is None:
        return 0
    seen = memory.records[np.isfinite(memory.records[:, LEVEL])]
    return int(seen[:, ORDER].max()) if seen.size else 0


def gate_of_another_roll(
    roll: OpenRoll, bench: str, *, strobe: bool, hours: float
) -> KeptGate | None:
    """Return the newest open gate that was taken at a bench for another roll, as this roll's.

    None where there is none of the same film format and kind of light in the last ``hours``.
    """
    from tether.measure.light.flat import age_hours

    newest: KeptGate | None = None
    here = roll.roll
    for progress in roll.store.rolls.progress(_ROLLS_BACK):
        other = progress.roll
        gate = read_light(roll.archive.folder(other) / BENCH_FOLDER / LIGHT_FILE).gate
        if gate is None or other.id == here.id or other.format_key != here.format_key:
            continue
        age = age_hours(gate.shot.taken_at, roll.archive.clock())
        fits = bench and gate.bench == bench and gate.strobe == strobe
        if fits and age is not None and 0 <= age <= hours:
            gate = replace(gate, shot=replace(gate.shot, after=0), roll=gate.roll or other.name)
            if newest is None or newest.shot.taken_at < gate.shot.taken_at:
                newest = gate
    return newest


class LightRecord:
    """What is kept of one roll's light.

    Parameters
    ----------
    folder
        The roll's folder of test shots; it need not be there yet.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LIGHT_FILE
        self._kept: KeptLight | None = None
        self._earlier: tuple[KeptGate, ...] | None = None

    @property
    def kept(self) -> KeptLight:
        """What is known; nothing where the file is missing or makes no sense."""
        if self._kept is None:
            self._kept = read_light(self._path)
        return self._kept

    def keep(self, *, gate: KeptGate | None = None, base: KeptBase | None = None) -> None:
        """Put a new open gate or a new base in the place of the old one.

        Raises
        ------
        FactFileUnusable
            When the disk does not take it; the old one still stands.
        """
        earlier, old = self.earlier, self.kept.gate
        if gate is not None and old is not None and old.shot.after < gate.shot.after:
            earlier = (*earlier, old)  # frames were photographed under it
        self._write(KeptLight(gate or old, base or self.kept.base), earlier)

    def restore_gate(self, gate: KeptGate | None) -> None:
        """Put the open gate of before back, None for none. Raises as `keep` does."""
        earlier = tuple(other for other in self.earlier if other != gate)
        self._write(KeptLight(gate, self.kept.base), earlier)

    @property
    def earlier(self) -> tuple[KeptGate, ...]:
        """The open gates of before, under which frames were photographed, oldest first."""
        if self._earlier is None:
            self._earlier = read_earlier(self._path)
        return self._earlier

    def gate_for(self, order: int) -> KeptGate | None:
        """Return the open gate in force at a capture, counted from 1 over the roll.

        The first one counts for the captures before it, too.
        """
        gates = [*self.earlier, *([self.kept.gate] if self.kept.gate else [])]
        in_force = [gate for gate in gates if gate.shot.after < order] or gates[:1]
        return in_force[-1] if in_force else None

    def _write(self, now: KeptLight, earlier: tuple[KeptGate, ...]) -> None:
        facts = as_json(now)
        if earlier:
            facts["open_gates_before"] = [_gate_json(gate) for gate in earlier]
        with contextlib.suppress(OSError):  # which the next line says in words
            self._path.parent.mkdir(exist_ok=True)
        write_json(self._path, facts)
        self._kept, self._earlier = now, earlier


def as_json(light: KeptLight) -> dict[str, Any]:
    """Return what `read_light` reads."""
    facts: dict[str, Any] = {"version": VERSION}
    if light.gate is not None:
        facts["open_gate"] = _gate_json(light.gate)
    if light.base is not None:
        facts["base"] = asdict(light.base.shot) | {
            "seen": light.base.seen,
            "signal": dict(light.base.signal),
        }
        if light.base.strobe is not None:
            facts["base"]["light"] = STROBE if light.base.strobe else LAMP
    return facts


def _gate_json(gate: KeptGate) -> dict[str, Any]:
    rounded = [[[round(v, _DIGITS) for v in row] for row in plane] for plane in gate.grid]
    return asdict(gate.shot) | {
        "channels": list(gate.channels),
        "grid": rounded,
        "uneven_percent": round(gate.uneven_percent, 2),
        "light": STROBE if gate.strobe else LAMP,
        "bench": gate.bench,
        "roll": gate.roll,
    }


def read_earlier(path: Path) -> tuple[KeptGate, ...]:
    """Read the open gates of before from a light file; one that makes no sense is left out."""
    try:
        facts = read_json(path)
    except FactFileUnusable:
        return ()
    gates = []
    listed = facts.get("open_gates_before")
    if facts.get("version") == VERSION and isinstance(listed, list):
        for stored in listed:
            with contextlib.suppress(*_WRONG):
                gates.append(_gate(stored))
    return tuple(gates)


def read_light(path: Path) -> KeptLight:
    """Read a light file; a part that this program did not write so is left out."""
    try:
        facts = read_json(path)
    except FactFileUnusable:
        return KeptLight()
    gate = base = None
    if facts.get("version") == VERSION:
        if "open_gate" in facts:
            with contextlib.suppress(*_WRONG):
                gate = _gate(facts["open_gate"])
        if "base" in facts:
            with contextlib.suppress(*_WRONG):
                base = _base(facts["base"])
    return KeptLight(gate, base)


def _gate(facts: Mapping[str, Any]) -> KeptGate:
    channels = tuple(printable(str(name), 8) for name in facts["channels"])
    planes = facts["grid"]
    if not 0 < len(channels) <= _MOST_CHANNELS or len(planes) != len(channels):
        raise ValueError("not the channels of a sensor")
    rows, columns = len(planes[0]), len(planes[0][0])
    if not (0 < rows <= _MOST_CELLS and 0 < columns <= _MOST_CELLS):
        raise ValueError("not a grid that this program makes")
    grid = tuple(tuple(_numbers(row, columns) for row in plane) for plane in planes)
    if any(len(plane) != rows for plane in grid):
        raise ValueError("planes of unequal size")
    # An older program did not store how uneven it is, by what it was lit, and where it was taken.
    uneven, strobe = _number(facts.get("uneven_percent", 0)), facts.get("light") == STROBE
    bench, roll = (printable(str(facts.get(key, "")), 255) for key in ("bench", "roll"))
    return KeptGate(_trial(facts), channels, grid, uneven, strobe, bench, roll)


def _base(facts: Mapping[str, Any]) -> KeptBase:
    signal = {printable(str(name), 8): _number(v) for name, v in facts["signal"].items()}
    if not 0 < len(signal) <= _MOST_CHANNELS or max(signal.values()) <= 0:
        raise ValueError("not the channels of a sensor")
    strobe = {LAMP: False, STROBE: True}.get(str(facts.get("light")))
    return KeptBase(_trial(facts), printable(str(facts["seen"]), 40), signal, strobe)


def _trial(facts: Mapping[str, Any]) -> BenchShot:
    name = facts["file"]
    if not is_safe_name(name):
        raise ValueError("not the name of a file")
    seconds, iso, f_number = (None if v is None else _number(v) for v in facts["exposure"])
    return BenchShot(
        str(name),
        printable(str(facts["sha256"]), 64),
        printable(str(facts["taken_at"]), 40),
        int(_number(facts["after"])),
        printable(str(facts["shutter"]), 20),
        (seconds, iso, f_number),
    )


def _numbers(values: Sequence[object], count: int) -> tuple[float, ...]:
    if not isinstance(values, list) or len(values) != count:
        raise ValueError("rows of unequal length")
    return tuple(_number(v) for v in values)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("not a number")
    number = float(value)
    if not math.isfinite(number) or number < 0:
        raise ValueError("not a number that was measured")
    return number
