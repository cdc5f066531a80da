"""Made rolls, judged as a session judges them: what was made, what was said, where it lay."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from tests.benchmarks.varied import marks
from tests.benchmarks.varied.geometry import Lie
from tests.benchmarks.varied.ranges import STRENGTH
from tests.benchmarks.varied.stand import SECONDS, Shot, Stand
from tether.findings import Severity
from tether.measure.exposure.calibration import clear_film
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.light.flat import flat_of
from tether.measure.roll.memory import KnownBase, RollMemory
from tether.raw import Mosaic

LEARNT = 3
"""Frames at the start of a roll without a mishap."""
DUSTY_FRAMES = 3
"""Frames after which dust on lens or sensor must have been told."""
SHUTTERS = tuple(
    (f"1/{n}", 1 / n) for n in (2, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125)
)
_LOUD = (Severity.LOOK, Severity.RESHOOT)

#: Which findings count as having found a mishap; any one of them will do.
EXPECTED: dict[str, frozenset[str]] = {
    "not-advanced": frozenset({"not-advanced"}),
    "half-way": frozenset({"between-frames", "picture-cut-off"}),
    "out-of-focus": frozenset({"out-of-focus"}),
    "one-side-soft": frozenset({"one-side-soft", "out-of-focus"}),
    "blank": frozenset({"blank-frame", "even-view"}),
    "lamp-dim": frozenset({"base-off-target", "light-changed"}),
    "lamp-bright": frozenset({"base-saturated", "base-off-target", "light-changed"}),
    "askew": frozenset({"askew"}),
    "cut": frozenset({"picture-cut-off", "between-frames"}),
    "dust-on-sensor": frozenset({"dust-not-on-film"}),
    "wrong-side": frozenset({"wrong-side", "reads-backwards"}),
    "room-light": frozenset({"room-light"}),
    "dusty": frozenset({"dust-on-film"}),
    "scratched": frozenset({"scratches"}),
}
#: What may be said beside a mishap without being wrong.
ALLOWED: dict[str, frozenset[str]] = {
    "askew": frozenset({"picture-cut-off"}),
    "half-way": frozenset({"not-advanced", "askew"}),
    "lamp-bright": frozenset({"picture-saturated", "out-of-focus", "light-moved"}),
    "lamp-dim": frozenset({"out-of-focus", "light-moved"}),
    "dusty": frozenset({"dust-on-film"}),
}


def mishaps_of(stand: Stand) -> list[str]:
    """Return the mishaps that can be seen in a roll's view, but for dust, which comes last."""
    setting = stand.setting
    out = ["not-advanced", "out-of-focus", "one-side-soft", "blank"]
    if setting.mount:
        return [*out, "askew"]
    out += ["half-way"]
    if setting.rebate_in_view:
        out += ["askew", "cut"]
        if stand.process.is_negative:
            out += ["lamp-dim", "lamp-bright"]
    out += ["dusty", "scratched", "room-light"]
    return [*out, "wrong-side"] if stand.lettered and setting.view == "wide" else out


class MadeRoll:
    """One roll from its first frame to its last; what is said of each shot is a row."""

    def __init__(self, stand: Stand, only: frozenset[str] = frozenset()) -> None:
        self._stand = stand
        self._only = only
        self._rng = np.random.default_rng((stand.seed, 7))
        self._order = self._number = 0
        self._amount = 0.0
        self._memory = RollMemory()

    def rows(self) -> Iterator[dict[str, Any]]:
        """Photograph the roll; yield a row for each shot."""
        stand, rng = self._stand, self._rng
        if stand.light_test:
            self._memory = self._memory.with_open_gate(flat_of(stand.open_gate()))
        if stand.calibrated:
            self._calibrate()
        kinds = mishaps_of(stand)
        waiting = [str(k) for k in rng.permutation([k for k in kinds if self._wanted(k)])]
        frame, blank = 0, frozenset[int]()
        while waiting or frame < LEARNT:
            frame += 1
            self._number = frame
            kind = waiting.pop() if frame > LEARNT and frame % 2 == 0 and waiting else None
            if kind == "blank":
                blank |= {frame}
                yield self._row(Shot(frame, self._careful(frame), blank=blank), kind, keep=True)
                continue
            if kind:
                wrong = self._wrong(kind, frame, blank)
                yield self._row(wrong, kind, keep=False)
            yield self._row(Shot(frame, self._careful(frame), blank=blank), None, keep=True)
        if self._wanted("dust-on-sensor"):
            yield self._dust(frame, blank)

    def _wanted(self, kind: str) -> bool:
        return not self._only or kind in self._only

    def _dust(self, frame: int, blank: frozenset[int]) -> dict[str, Any]:
        """Let dust fall on the sensor and go on for some frames; they are one row."""
        deepest = STRENGTH["dust-on-sensor"].draw(self._rng)
        count = int(self._rng.integers(1, 6))
        spots = marks.spots(self._stand.shape, deepest, count, self._rng)
        row: dict[str, Any] = {}
        codes: set[str] = set()
        for place in range(frame + 1, frame + 1 + DUSTY_FRAMES):
            self._number = place
            shot = Shot(place, self._careful(place), blank=blank, spots=spots)
            row = self._row(shot, "dust-on-sensor", keep=True)
            codes |= set(row["codes"])
        return row | {"codes": sorted(codes), "strength": round(deepest, 3)}

    def _careful(self, frame: int) -> Lie:
        """Return how a careful hand lays a frame."""
        d = self._stand.draws
        rng = np.random.default_rng((self._stand.seed, 10, frame, self._order))
        strip = np.random.default_rng((self._stand.seed, 11, frame // 6))
        return Lie(
            d["hand_mm"] * rng.uniform(-1, 1),
            d["hand_across_mm"] * strip.uniform(-1, 1),
            d["hand_degrees"] * 0.7 * strip.uniform(-1, 1)
            + d["hand_degrees"] * 0.3 * rng.uniform(-1, 1),
        )

    def _wrong(self, kind: str, frame: int, blank: frozenset[int]) -> Shot:
        """Return a frame's shot with a mishap."""
        stand, rng = self._stand, self._rng
        amount = STRENGTH[kind].draw(rng)
        self._amount = amount
        lie = self._careful(frame)
        sign = -1.0 if rng.random() < 0.5 else 1.0
        shot = Shot(frame, lie, blank=blank)
        before = max(n for n in range(1, frame) if n not in blank)
        near = self._careful(before)
        side = str(rng.choice(["left", "right", "top", "bottom"]))
        made: dict[str, Callable[[], Shot]] = {
            "lamp-dim": lambda: replace(shot, lamp_ev=amount),
            "lamp-bright": lambda: replace(shot, lamp_ev=amount),
            "room-light": lambda: replace(shot, room=amount),
            "askew": lambda: replace(shot, lie=replace(lie, degrees=sign * amount)),
            "half-way": lambda: replace(
                shot, lie=replace(lie, along=amount * stand.setting.form.pitch * sign)
            ),
            "cut": lambda: replace(shot, lie=self._cut(lie, amount, sign)),
            "wrong-side": lambda: replace(shot, lie=replace(lie, over=True)),
            "not-advanced": lambda: replace(
                shot, frame=before, lie=replace(near, along=near.along + 0.1 * sign)
            ),
            "out-of-focus": lambda: replace(shot, disc_um=stand.grain.disc_for(amount)),
            "one-side-soft": lambda: replace(shot, soft_side=(side, stand.grain.disc_for(amount))),
            "dusty": lambda: replace(shot, specks=int(amount)),
            "scratched": lambda: replace(shot, scratches=int(amount)),
        }
        return made[kind]()

    def _cut(self, lie: Lie, amount: float, sign: float) -> Lie:
        """Return a lie at which so many mm of the picture are out of view."""
        low, high = 0.0, self._stand.setting.form.pitch
        for _ in range(24):
            middle = (low + high) / 2
            seen = self._stand.setting.out_of_view(replace(lie, along=sign * middle))
            low, high = (middle, high) if seen < amount else (low, middle)
        return replace(lie, along=sign * high)

    def _calibrate(self) -> None:
        """Find the roll's clear film as the step before the first frame does."""
        stand = self._stand
        piece = frozenset({1}) if stand.process.is_negative else frozenset[int]()
        mosaic = stand.photograph(Shot(1, self._careful(1), blank=piece))
        clear = clear_film(
            mosaic, stand.process, stand.setting.form, gate=self._memory.open_gate, seconds=SECONDS
        )
        if clear.seen.usable and not clear.clipped:
            known = KnownBase(dict(clear.signal), (SECONDS, 100.0, 8.0))
            self._memory = replace(self._memory, base=known)

    def _row(self, shot: Shot, kind: str | None, *, keep: bool) -> dict[str, Any]:
        """Photograph, judge, remember where the frame is kept; return the row."""
        number = self._number
        self._order += 1
        mosaic = self._stand.photograph(shot)
        measured = self._judged(mosaic, number)
        if keep:
            self._memory = measured.memory
        codes = {f.code: f for f in measured.findings if f.severity in _LOUD}
        setting = self._stand.setting
        row: dict[str, Any] = {
            "seed": self._stand.seed, "frame": number, "made": kind or "",
            "film": self._stand.process.value, "view": setting.view, "form": setting.form.key,
            "codes": sorted(codes),
        }  # fmt: skip
        if kind and STRENGTH[kind].what != "no number":
            row["strength"] = round(self._amount, 3)
        if setting.rebate_in_view and kind in (None, "askew", "cut"):
            row["outline"] = self._outline_error(measured, shot.lie)
        return row

    def _judged(self, mosaic: Mosaic, number: int) -> FrameMeasurement:
        context = FrameContext(
            self._stand.process, self._stand.setting.form, number, ("1/15", SECONDS), SHUTTERS,
            memory=self._memory, order=self._order,
        )  # fmt: skip
        return measure_frame(mosaic, context)

    def _outline_error(self, measured: FrameMeasurement, lie: Lie) -> float | None:
        """Return how far the farthest corner of the outline is from where it is, mm; None: none."""
        if measured.framing is None:
            return None
        true = self._stand.setting.corners(lie)
        found = np.asarray(measured.framing.picture.corners)
        apart = np.linalg.norm(true[:, None] - found[None], axis=2).min(axis=1)
        return round(float(apart.max() / self._stand.setting.scale), 3)
