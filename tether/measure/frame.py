"""Everything that is measured of one frame, and the findings that follow from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tether.film import FilmProcess
from tether.measure import exposure as ex
from tether.measure.verdict import Finding, Severity, Verdict, ranked, verdict_of
from tether.raw.mosaic import Mosaic
from tether.settings import Exposure

#: Share of the frame's width and height left out all round: the gate and the rebate's edge.
_MARGIN = 0.08


@dataclass(frozen=True, slots=True)
class FrameContext:
    """What a frame is judged against."""

    process: FilmProcess
    shutter: tuple[str, float] | None = None
    shutters: tuple[tuple[str, float], ...] = ()
    exposure: Exposure = field(default_factory=Exposure)


@dataclass(frozen=True, slots=True)
class FrameMeasurement:
    """What was measured; shares 0..1, exposures in stops relative to saturation."""

    saturated: dict[str, float]
    saturated_picture: dict[str, float]
    headroom_ev: dict[str, float]
    base_ev: float | None
    advice_ev: float
    advice_shutter: str | None
    histogram: dict[str, list[int]]
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Verdict:
        """What the findings add up to."""
        return verdict_of(self.findings)

    def as_json(self) -> dict[str, object]:
        """Return the documented keys; see docs/json.md."""
        return {
            "saturated": self.saturated,
            "saturated_picture": self.saturated_picture,
            "headroom_ev": self.headroom_ev,
            "base_ev": self.base_ev,
            "advice_ev": self.advice_ev,
            "advice_shutter": self.advice_shutter,
            "histogram": {
                "lowest_ev": ex.LOWEST_EV,
                "bin_ev": ex.BIN_EV,
                "counts": self.histogram,
            },
            "verdict": self.verdict.value,
            "findings": [
                {
                    "code": f.code,
                    "severity": f.severity.value,
                    "value": f.value,
                    "unit": f.unit,
                    "text": f.text,
                    "action": f.action,
                }
                for f in self.findings
            ],
        }


def measure_frame(mosaic: Mosaic, context: FrameContext) -> FrameMeasurement:
    """Measure a frame and say what to change."""
    height, width = mosaic.shape
    top, left = int(height * _MARGIN) & ~1, int(width * _MARGIN) & ~1
    inner = mosaic.data[top : height - top, left : width - left]
    saturated, picture, headroom, histogram, brightest = {}, {}, {}, {}, {}
    for index, name in enumerate(mosaic.channels):
        level, black = mosaic.saturation[index], mosaic.black[index]
        saturated[name] = ex.saturated_share(mosaic.data, mosaic.pattern, index, level)
        picture[name] = ex.saturated_share(inner, mosaic.pattern, index, level)
        planes = ex.channel_planes(inner, mosaic.pattern, index)
        x = ex.signal(np.concatenate([p[::2, ::2].ravel() for p in planes]), black, level)
        headroom[name] = -ex.stops_below(float(np.percentile(x, 99.9)))
        whole = ex.channel_planes(mosaic.data, mosaic.pattern, index)
        y = ex.signal(np.concatenate([p[::4, ::4].ravel() for p in whole]), black, level)
        brightest[name] = float(np.percentile(y, 99.5))
        histogram[name] = ex.ev_histogram(x)
    base = ex.stops_below(max(brightest.values()))
    negative = context.process.is_negative
    advice = context.exposure.base_target_ev - (base if negative else -min(headroom.values()))
    findings: list[Finding] = []
    shutter = None
    if abs(advice) > context.exposure.base_tolerance_ev:
        near = (
            ex.nearest_exposure(context.shutters, context.shutter[1], advice)
            if context.shutter
            else None
        )
        shutter = near[0] if near else None
        to = f"; set the shutter to {shutter}" if shutter else ""
        findings.append(
            Finding(
                "base-off-target" if negative else "highlights-off-target",
                Severity.RESHOOT if abs(advice) > 1 or advice < 0 else Severity.LOOK,
                round(base, 3) if negative else round(-min(headroom.values()), 3),
                "EV",
                f"{'Film base' if negative else 'The highlights'} "
                f"{'lies' if negative else 'lie'} {abs(advice):.1f} stops "
                f"{'below' if advice > 0 else 'above'} the target.",
                f"Give {abs(advice):.1f} stops {'more' if advice > 0 else 'less'} light{to}.",
            )
        )
    worst = max(picture.values())
    if worst > context.exposure.clipped_share:
        findings.append(
            Finding(
                "picture-saturated",
                Severity.RESHOOT,
                worst,
                "share",
                f"{worst:.2%} of a channel's photosites in the picture are saturated.",
                "" if shutter else "Give less light.",
            )
        )
    return FrameMeasurement(
        saturated, picture, headroom, base if negative else None, round(advice, 3), shutter,
        histogram, ranked(findings),
    )  # fmt: skip
