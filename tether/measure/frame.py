"""Everything that is measured of one frame, and the findings that follow from it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.film import FILM_FORMATS, FilmFormat, FilmProcess
from tether.measure import exposure as ex
from tether.measure.base import Base, base_of, beside, lighter, main_channels
from tether.measure.density import density_report
from tether.measure.dust import compare_dust, find_spots
from tether.measure.edge import EdgeCode, edge_remarks, read_edge
from tether.measure.emptiness import empty_negative, empty_transparency
from tether.measure.exposure_remarks import (
    Advice,
    Shutters,
    advise,
    clipped_step,
    negative_remarks,
    transparency_remarks,
)
from tether.measure.focus import compare_focus, focus_drift, reference_of
from tether.measure.focus_grain import Sharpness, measure_sharpness
from tether.measure.framing import Framing, find_framing, seen_area
from tether.measure.framing_remarks import framing_remarks
from tether.measure.levels import FloatArray, stops, with_observed_saturation
from tether.measure.repeat import repeat_remarks, signature
from tether.measure.roll import Exposure, KnownBase, OpenGate, RollMemory, Trace, spread
from tether.measure.saturation import saturation_map
from tether.measure.shadows import shadows
from tether.measure.shapes import Quad
from tether.measure.survey import Survey, halved, survey
from tether.measure.verdict import Finding, Verdict, ranked, verdict_of
from tether.raw.mosaic import Mosaic
from tether.settings import Settings

_MARGIN = 0.08
"""Share of width and height left out all round where the frame's edges are not known."""
_INSET = 0.01
"""Share of the picture left out all round, where its edge is blurred."""
_FALLOFF_EV = 0.25
"""How much lighter than at the rebate the light may be in the middle of the picture."""
_PICTURE_SIDE = 480
_SURE_SIDES = 3
"""Sides of the frame that must be seen before what lies beside them is taken for rebate."""


@dataclass(frozen=True, slots=True)
class FrameContext:
    """What a frame is judged against.

    Attributes
    ----------
    process, film_format
        The film.
    frame_number
        The frame that should be in the gate, None where it does not matter.
    shutter, shutters
        (label, seconds) it was taken at, and the camera's own list.
    settings
        Targets and limits.
    memory
        What earlier frames of the roll left.
    open_gate
        Light without film, None to take what the memory holds.
    """

    process: FilmProcess
    film_format: FilmFormat = field(default_factory=lambda: FILM_FORMATS["135"])
    frame_number: int | None = None
    shutter: tuple[str, float] | None = None
    shutters: Shutters = ()
    settings: Settings = field(default_factory=Settings)
    memory: RollMemory = field(default_factory=RollMemory)
    open_gate: OpenGate | None = None


@dataclass(frozen=True, slots=True)
class FrameMeasurement:
    """What was measured; shares 0..1, exposures in stops relative to saturation.

    `as_json` names and explains the values (docs/json.md). ``memory`` is the roll's memory to go
    on with if this frame is kept; ``picture`` a small linear picture relative to saturation,
    shape (h, w, 3), float32, longest side at most 480.
    """

    saturated: dict[str, float]
    saturated_picture: dict[str, float]
    headroom_ev: dict[str, float]
    headroom_picture_ev: dict[str, float]
    base: Base | None
    base_ev: float | None
    advice_ev: float
    advice_shutter: str | None
    histogram: dict[str, list[int]]
    framing: Framing | None
    edge: EdgeCode | None
    sharpness: Sharpness | None
    density: dict[str, dict[str, float | None]] | None
    findings: tuple[Finding, ...]
    memory: RollMemory
    picture: FloatArray

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
            "base": _rounded(self.base.signal, 5) if self.base else None,
            "advice_ev": _round(self.advice_ev),
            "advice_shutter": self.advice_shutter,
            "histogram": {
                "lowest_ev": ex.LOWEST_EV,
                "bin_ev": ex.BIN_EV,
                "counts": self.histogram,
            },
            "framing": _framing_json(self.framing),
            "edge_code": _edge_json(self.edge),
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


def measure_frame(mosaic: Mosaic, context: FrameContext) -> FrameMeasurement:
    """Measure a frame and say what to change.

    All photosites are counted for saturation; everything else is measured on a survey of the
    mosaic and on small full-size patches.
    """
    mosaic = with_observed_saturation(mosaic)
    with ThreadPoolExecutor(2) as others:
        return _measured(mosaic, context, others)


def _measured(
    mosaic: Mosaic, context: FrameContext, others: ThreadPoolExecutor
) -> FrameMeasurement:
    """Do the measuring; ``others`` does beside it what does not wait for anything."""
    counting = others.submit(saturation_map, mosaic)
    picture = survey(mosaic)
    settings, memory = context.settings, context.memory
    negative = context.process.is_negative
    framing = find_framing(picture, context.film_format, negative, settings.framing, memory.scale)
    outline = framing.picture if framing else None
    now: Exposure = (_seconds(mosaic, context), mosaic.iso, mosaic.f_number)
    reckoned = _expected_base(memory, now)
    certain = memory.base is not None and memory.base.certain
    expected = reckoned if certain else None
    base = None
    if negative:
        sure = framing if framing and framing.sure and len(framing.seen) >= _SURE_SIDES else None
        base = base_of(
            picture, sure.picture if sure else None, sure.scale if sure else None,
            sure.rebate if sure else None, expected,
        )  # fmt: skip
        base = lighter(base, reckoned)
    area = outline.shrunk(_INSET) if outline else _inner(mosaic, context)
    where = _picture_mask(picture, area, base)
    region = tuple(slice(*ends) for ends in _box(area, mosaic.shape))
    clear = _clear(base, picture)
    focusing = others.submit(measure_sharpness, mosaic, (region[0], region[1]), clear)
    spotting = others.submit(find_spots, mosaic, (region[0], region[1]), settings.dust)
    counted = counting.result()
    in_picture = _without_bare_light(counted.shares_within(area), base)
    headroom = ex.headroom(picture, where)
    advice = _advice(base, expected, headroom, context)
    findings = framing_remarks(framing, context.film_format, settings.framing)
    edge = read_edge(picture, framing, context.film_format, negative)
    findings += edge_remarks(edge)
    if negative:
        expected_ev = float(stops(max(expected.values()))) if expected else None
        findings += negative_remarks(base, advice, in_picture, expected_ev, settings.exposure)
        empty = empty_negative(picture, where, _main_ev(base, expected, picture.channels))
    else:
        rows, columns = _box(area, mosaic.shape)
        dark = shadows(mosaic, rows, columns)
        findings += transparency_remarks(
            advice, min(headroom.values()), in_picture, dark, settings.exposure
        )
        empty = empty_transparency(picture, where)
    trace = _trace(framing, context)
    if empty is not None:
        findings.append(empty)
    else:
        detail = _detail(picture, outline, negative)
        trace = replace(
            trace,
            sharpness=focusing.result().as_array(),
            spots=spotting.result(),
            picture=detail,
        )
        findings += _against_roll(trace, mosaic.shape, context)
        if not any(f.code == "between-frames" for f in findings):
            findings += _seen_before(detail, context)
    gate = context.open_gate or memory.open_gate
    return FrameMeasurement(
        saturated=counted.shares(),
        saturated_picture=in_picture,
        headroom_ev=ex.headroom(picture),
        headroom_picture_ev=headroom,
        base=base,
        base_ev=base.ev if base else None,
        advice_ev=advice.ev,
        advice_shutter=advice.shutter,
        histogram=ex.histogram(picture, where),
        framing=framing,
        edge=edge,
        sharpness=None if empty is not None else focusing.result(),
        density=_densities(picture, gate, where, base, framing, now),
        findings=ranked(findings),
        memory=memory.with_frame(trace, _learnt(base, now, empty is not None, certain)),
        picture=small_picture(picture),
    )


def _seconds(mosaic: Mosaic, context: FrameContext) -> float | None:
    return context.shutter[1] if context.shutter else mosaic.exposure_seconds


def _expected_base(memory: RollMemory, now: Exposure) -> dict[str, float] | None:
    """Return the roll's base per channel at this exposure."""
    if memory.base is None:
        return None
    ratio = ex.exposure_ratio(now, memory.base.exposure)
    if ratio is None:
        return None
    return {name: value * ratio for name, value in memory.base.signal.items()}


def _learnt(base: Base | None, now: Exposure, empty: bool, certain: bool) -> KnownBase | None:
    """Return what this frame tells of the roll's base; pictures do not overrule a rebate."""
    if base is None or base.clipped or base.source == "roll":
        return None
    if base.source == "rebate":
        return KnownBase(base.signal, now)
    return None if certain or empty else KnownBase(base.signal, now, certain=False)


def _inner(mosaic: Mosaic, context: FrameContext) -> Quad:
    """Return where the picture should be: the format's size in the middle, or most of the view."""
    height, width = mosaic.shape
    scale, form = context.memory.scale, context.film_format
    if scale is None:
        return Quad.whole(width, height).shrunk(_MARGIN)
    long, short = sorted((form.picture_along, form.picture_across), reverse=True)
    wide, high = (long, short) if width >= height else (short, long)
    half_x = min(wide * scale, width) * (0.5 - _MARGIN / 2)
    half_y = min(high * scale, height) * (0.5 - _MARGIN / 2)
    x, y = width / 2, height / 2
    return Quad(
        ((x - half_x, y - half_y), (x + half_x, y - half_y),
         (x + half_x, y + half_y), (x - half_x, y + half_y))
    )  # fmt: skip


def _picture_mask(picture: Survey, area: Quad, base: Base | None) -> NDArray[np.bool_]:
    """Return which pixels of the survey are picture: inside, and no lighter than film can be."""
    shape = (int(picture.signal.shape[1]), int(picture.signal.shape[2]))
    inside = area.scaled(1 / picture.step).mask(shape)
    if base is not None and base.source != "picture" and not base.clipped:
        for index, name in enumerate(picture.channels):
            limit = base.signal.get(name, 1.0) * 2 ** (2 * _FALLOFF_EV)
            if limit < 1.0:
                inside &= picture.signal[index] <= limit
    if not inside.any():
        inside = area.scaled(1 / picture.step).mask(shape)
    return inside


def _without_bare_light(shares: dict[str, float], base: Base | None) -> dict[str, float]:
    """Leave out what saturates in a negative although its base cannot.

    The base is the lightest thing that belongs to a negative. Where it lies well under
    saturation, what is saturated within the picture is light through a scratch or a hole.
    """
    if base is None or base.clipped:
        return shares
    reach = 2**_FALLOFF_EV
    return {
        name: 0.0 if base.signal.get(name, 1.0) * reach < 1.0 else share
        for name, share in shares.items()
    }


def _advice(
    base: Base | None,
    expected: dict[str, float] | None,
    headroom: dict[str, float],
    context: FrameContext,
) -> Advice:
    limits = context.settings.exposure
    if not context.process.is_negative:
        least = min(headroom.values())
        ev = limits.base_target_ev + least if least > 0 else clipped_step(limits)
    elif base is None:
        ev = 2.0
    elif not base.clipped:
        ev = limits.base_target_ev - base.ev
    elif expected and max(expected.values()) > 1.0:
        ev = limits.base_target_ev - float(stops(max(expected.values())))
    else:
        ev = clipped_step(limits)
    return advise(ev, context.shutter, context.shutters, limits.base_tolerance_ev)


def _main_ev(
    base: Base | None, expected: dict[str, float] | None, channels: tuple[str, ...]
) -> float | None:
    """Return the base in the main channel where it is known for certain."""
    known = base.signal if base is not None and base.source == "rebate" else expected
    if known is None:
        return None
    values = [known[channels[i]] for i in main_channels(channels) if channels[i] in known]
    return float(stops(np.mean(values))) if values else None


def _clear(base: Base | None, picture: Survey) -> float | None:
    if base is None:
        return None
    names = [picture.channels[i] for i in main_channels(picture.channels)]
    return float(np.mean([base.signal[name] for name in names]))


def _box(area: Quad, shape: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns of the largest upright rectangle within an outline and view."""
    a, b, c, d = area.corners
    left, right = max(a[0], d[0], 0), min(b[0], c[0], shape[1])
    top, bottom = max(a[1], b[1], 0), min(c[1], d[1], shape[0])
    if right - left < 64 or bottom - top < 64:
        return (0, shape[0]), (0, shape[1])
    return (int(top), int(bottom)), (int(left), int(right))


def _trace(framing: Framing | None, context: FrameContext) -> Trace:
    return Trace(
        -1 if context.frame_number is None else context.frame_number,
        scale=framing.scale if framing and framing.sure else 0.0,
    )


def _detail(picture: Survey, outline: Quad | None, negative: bool) -> NDArray[np.int8] | None:
    """Return what the picture is recognised by."""
    seen = seen_area(picture, negative)
    return signature(picture, outline or seen.shrunk(_MARGIN), seen)


def _against_roll(trace: Trace, shape: tuple[int, int], context: FrameContext) -> list[Finding]:
    """Compare with the frames before: focus, drift, dust that stays."""
    settings = context.settings
    before = context.memory.before(context.frame_number)
    known = [Sharpness.from_array(t.sharpness) for t in before if t.sharpness is not None]
    found: list[Finding] = []
    if trace.sharpness is not None:
        now = Sharpness.from_array(trace.sharpness)
        found += compare_focus(now, reference_of(known, settings.focus), settings.focus)
        if not found:
            # Where detail of the picture rules, the figure says nothing about a drift.
            plain = settings.focus.plain_ratio
            figures = [k.overall if k.plain >= plain else np.nan for k in (*known, now)]
            found += focus_drift(figures, settings.focus)
    earlier = [t.spots for t in before if t.spots is not None]
    if trace.spots is not None:
        found += compare_dust(trace.spots, earlier, settings.dust, shape[1] / max(1, shape[0]))
    return found


def _seen_before(detail: NDArray[np.int8] | None, context: FrameContext) -> list[Finding]:
    """Compare the picture with those of the frames before."""
    before = context.memory.before(context.frame_number)
    earlier = [(t.frame, t.picture) for t in before if t.picture is not None]
    return repeat_remarks(detail, earlier, context.settings.advance)


def _densities(
    picture: Survey,
    gate: OpenGate | None,
    where: NDArray[np.bool_],
    base: Base | None,
    framing: Framing | None,
    now: Exposure,
) -> dict[str, dict[str, float | None]] | None:
    """Return the density report where an open gate at a comparable exposure is known."""
    if gate is None or gate.channels != picture.channels:
        return None
    ratio = ex.exposure_ratio(now, gate.exposure)
    if ratio is None:
        return None
    shape = (int(picture.signal.shape[1]), int(picture.signal.shape[2]))
    light = spread(gate.grid, shape)
    place = None
    if framing is not None and base is not None and base.source == "rebate":
        place = beside(framing.picture, picture.step, framing.scale, shape)
    return density_report(picture, light, where, base.signal if base else None, place, ratio)


def small_picture(picture: Survey) -> FloatArray:
    """Return a small linear picture, (h, w, 3), relative to saturation; one channel gives grey."""
    signal = picture.signal
    small = Survey(signal, picture.step, picture.channels)
    while max(small.signal.shape[1:]) > _PICTURE_SIDE:
        small = Survey(halved(small.signal), small.step * 2, picture.channels)
    planes = [small.colour(letter) for letter in "RGB"]
    return np.stack([small.main if p is None else p for p in planes], axis=2).astype(np.float32)


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
        "offset_mm": [_round(v) for v in framing.offset],
        "sensor_share": _round(framing.share),
    }


def _edge_json(code: EdgeCode | None) -> dict[str, Any] | None:
    if code is None:
        return None
    return {
        "base_side_to_lens": code.base_side,
        "at_mm": _round(code.at_mm, 1),
        "text": code.text,
        "frame": code.frame,
    }


def _round(value: float | None, digits: int = 3) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def _rounded(values: dict[str, float], digits: int = 3) -> dict[str, float | None]:
    return {name: _round(value, digits) for name, value in values.items()}
