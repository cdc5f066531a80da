"""What was measured of a frame, and the same as JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tether.findings import Finding, Verdict, verdict_of
from tether.measure.exposure.base import Base
from tether.measure.exposure.saturation import BIN_EV, LOWEST_EV
from tether.measure.film.edge_code import EdgeCode
from tether.measure.focus.sharpness import Sharpness
from tether.measure.framing.position import Framing
from tether.measure.levels import FULL, FloatArray
from tether.measure.roll.memory import RollMemory


@dataclass(frozen=True, slots=True)
class FrameMeasurement:
    """What was measured; shares 0..1, exposures in stops relative to saturation.

    `as_json` names and explains the values (docs/json.md). ``memory`` is the roll's memory to go
    on with if this frame is kept; ``picture`` a small linear picture relative to saturation,
    shape (h, w, 3), float32, longest side at most 480; ``specks`` those of
    `tether.measure.film.specks`.
    """

    saturated: dict[str, float]
    saturated_picture: dict[str, float]
    headroom_ev: dict[str, float]
    headroom_picture_ev: dict[str, float]
    base: Base | None
    base_ev: float | None
    advice_ev: float
    advice_at_least: bool
    advice_shutter: str | None
    histogram: dict[str, list[int]]
    framing: Framing | None
    edge: EdgeCode | None
    sharpness: Sharpness | None
    density: dict[str, dict[str, float | None]] | None
    findings: tuple[Finding, ...]
    memory: RollMemory
    picture: FloatArray
    specks: FloatArray = field(default_factory=lambda: np.zeros((0, 3), np.float32))

    @property
    def verdict(self) -> Verdict:
        """What the findings add up to."""
        return verdict_of(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the documented keys; see docs/json.md."""
        facts: dict[str, Any] = {
            "saturated": self.saturated,
            "saturated_picture": self.saturated_picture,
            "headroom_ev": _rounded(self.headroom_ev),
            "headroom_picture_ev": _rounded(self.headroom_picture_ev),
            "base_ev": _round(self.base_ev),
            "base_source": self.base.source if self.base else None,
            "base": _below_full(self.base.signal) if self.base else None,
            "advice_ev": _round(self.advice_ev),
            "advice_at_least": self.advice_at_least,
            "advice_shutter": self.advice_shutter,
            "histogram": {
                "lowest_ev": LOWEST_EV,
                "bin_ev": BIN_EV,
                "counts": self.histogram,
            },
            "framing": _framing_json(self.framing),
            "edge_code": _edge_json(self.edge),
            "specks": [[round(float(y), 4), round(float(x), 4)] for y, x, _ in self.specks],
            "sharpness": _round(self.sharpness.overall, 6) if self.sharpness else None,
            "verdict": self.verdict.value,
            "findings": [finding.as_json() for finding in self.findings],
        }
        if self.density is not None:
            facts["density"] = {
                name: {key: _round(value) for key, value in values.items()}
                for name, values in self.density.items()
            }
        return facts


def _framing_json(framing: Framing | None) -> dict[str, Any] | None:
    if framing is None:
        return None
    return {
        "corners": [[round(x, 1), round(y, 1)] for x, y in framing.picture.corners],
        "seen": list(framing.seen),
        "rotation_degrees": _round(framing.rotation),
        "pixels_per_mm": _round(framing.scale),
        "pixels_per_inch": round(framing.pixels_per_inch),
        "missing_mm": _rounded(framing.missing),
        "offset_mm": [_round(v) for v in framing.offset_mm],
        "sensor_share": _round(framing.share),
    }


def _edge_json(code: EdgeCode | None) -> dict[str, Any] | None:
    if code is None:
        return None
    return {
        "base_side_to_lens": code.base_side,
        "at_mm": _round(code.at_mm, 1),
        "text": code.bits.text if code.bits else "",
        "frame": code.bits.frame if code.bits else None,
    }


def _below_full(signal: dict[str, float]) -> dict[str, float | None]:
    return _rounded({name: v if v < FULL else math.nan for name, v in signal.items()}, 5)


def _round(value: float | None, digits: int = 3) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def _rounded(values: dict[str, float], digits: int = 3) -> dict[str, float | None]:
    return {name: _round(value, digits) for name, value in values.items()}
