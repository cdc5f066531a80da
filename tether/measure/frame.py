"""Everything that is measured of one frame, and the findings that follow from it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding, Severity, ranked
from tether.measure.context import FrameContext
from tether.measure.density.density import density_report
from tether.measure.exposure import exposure as ex
from tether.measure.exposure.base import (
    Base,
    base_of,
    beside,
    highest_base_ev,
    lighter,
    main_channels,
    shows_base,
)
from tether.measure.exposure.exposure_remarks import (
    EXPOSURE_CODES,
    Advice,
    advise,
    clipped_step,
    negative_remarks,
    transparency_remarks,
)
from tether.measure.exposure.saturation import saturation_map
from tether.measure.exposure.shadows import shadows
from tether.measure.film.blank_frame import empty_negative, empty_transparency
from tether.measure.film.dust import find_spots
from tether.measure.film.edge_code import edge_remarks, read_edge
from tether.measure.film.file_damage import file_damaged, lost_share
from tether.measure.film.same_picture import signature
from tether.measure.focus.grain import measure_sharpness
from tether.measure.framing.area import (
    MARGIN,
    middle_area,
    picture_mask,
    upright_box,
    without_bare_light,
)
from tether.measure.framing.framing import Framing, find_framing, seen_area
from tether.measure.framing.framing_remarks import framing_remarks
from tether.measure.framing.outline_check import rests_on_rebate
from tether.measure.levels import (
    FloatArray,
    stops,
    with_known_saturation,
    with_observed_saturation,
)
from tether.measure.light.flat import gate_uneven
from tether.measure.light.frame_flicker import frame_flicker
from tether.measure.result import FrameMeasurement
from tether.measure.roll.comparison import (
    against_roll,
    counted_on,
    expected_base,
    is_settled,
    learnt,
    light_as_before,
    lightest_of,
    seen_before,
    standings,
    trace_of,
)
from tether.measure.roll.memory import Exposure, OpenGate
from tether.measure.shapes import Quad
from tether.measure.survey import Survey, survey
from tether.raw.mosaic import Mosaic

__all__ = ["FrameContext", "FrameMeasurement", "measure_frame", "small_picture"]

_INSET = 0.01
"""Share of the picture left out all round, where its edge is blurred."""
_PICTURE_SIDE = 480
_GRAVE = Severity.RESHOOT
_ADVANCE_CODES = frozenset({"not-advanced", "between-frames"})
_SURE_SIDES = 3
"""Sides of the frame that must be seen before what lies beside them is taken for rebate."""


def measure_frame(mosaic: Mosaic, context: FrameContext) -> FrameMeasurement:
    """Measure a frame and say what to change.

    All photosites are counted for saturation; everything else is measured on a survey of the
    mosaic and on small full-size patches. Of a damaged file nothing else is said, and nothing is
    learnt from it.
    """
    lost = lost_share(mosaic)
    stated = mosaic.saturation
    mosaic = with_known_saturation(mosaic, context.memory.saturation)
    mosaic = with_observed_saturation(mosaic)
    with ThreadPoolExecutor(1) as others:  # a second would only wait for the interpreter
        measured = _measured(mosaic, context, others)
    if lost:
        return replace(measured, findings=(file_damaged(lost),), memory=context.memory)
    if mosaic.saturation == stated:
        return measured
    return replace(measured, memory=replace(measured.memory, saturation=mosaic.saturation))


def _measured(
    mosaic: Mosaic, context: FrameContext, others: ThreadPoolExecutor
) -> FrameMeasurement:
    """Do the measuring; ``others`` does beside it what does not wait for anything."""
    counting = others.submit(saturation_map, mosaic)
    picture = survey(mosaic)
    settings, memory = context.settings, context.memory
    gate = context.open_gate or memory.open_gate
    negative, strobe = context.process.is_negative, settings.light.strobe
    framing = find_framing(picture, context.film_format, negative, settings.framing, memory.scale)
    if framing is not None and (
        memory.contradicts(framing.scale, len(framing.seen))
        or not rests_on_rebate(framing, picture, negative)
    ):
        framing = None
    outline = framing.picture if framing else None
    area = outline.shrunk(_INSET) if outline else middle_area(mosaic, context)
    rows, columns = upright_box(area, mosaic.shape)
    region = (slice(*rows), slice(*columns))
    spotting = others.submit(find_spots, mosaic, region, settings.dust)
    now: Exposure = (_seconds(mosaic, context), mosaic.iso, mosaic.f_number)
    reckoned = expected_base(memory, now, strobe=strobe)
    certain = memory.base is not None and memory.base.certain
    expected = reckoned if certain else None
    base = _base(picture, framing, expected, reckoned) if negative else None
    focusing = others.submit(measure_sharpness, mosaic, region, _clear(base, picture))
    where = picture_mask(picture, area, base)
    headroom, in_view = ex.headroom(picture, where), ex.headroom(picture)
    bars, small = ex.histogram(picture, where), small_picture(picture)
    advice = _advice(base, expected, headroom, context)
    findings = framing_remarks(framing, context.film_format, settings.framing)
    edge = read_edge(picture, framing, context.film_format, negative)
    findings += edge_remarks(edge) + frame_flicker(mosaic, framing, base, context)
    counted = counting.result()
    in_picture = without_bare_light(counted.shares_within(area), base)
    if negative:
        expected_ev = float(stops(max(expected.values()))) if expected else None
        findings += negative_remarks(
            base, advice, in_picture, expected_ev, settings.exposure, -min(in_view.values()),
            highest_ev=_highest_ev(gate, now, context),
            pictures=len(memory.before(context.frame_number)) if reckoned else 0,
            rebate_missing=bool(
                expected and memory.shows_rebate and not shows_base(picture, expected)
            ),
        )  # fmt: skip
        empty = empty_negative(picture, where, _main_ev(base, expected, picture.channels))
    else:
        empty = empty_transparency(picture, where)
        if empty is None:
            dark = shadows(mosaic, rows, columns)
            findings += transparency_remarks(
                advice, min(headroom.values()), in_picture, dark, settings.exposure,
                settled=is_settled(memory, now, settings.exposure, strobe=strobe),
            )  # fmt: skip
    trace = trace_of(framing, edge, context)
    stood = standings(base, None, now, context)
    if empty is not None:
        findings.append(empty)
    else:
        detail = _detail(picture, outline, negative)
        between = any(f.code == "between-frames" for f in findings)
        repeated = [] if between else seen_before(detail, framing, context)
        trace = replace(
            trace,
            sharpness=focusing.result().as_array(),
            spots=spotting.result(),
            picture=detail,
        )
        stood = standings(base, focusing.result(), now, context)
        findings += against_roll(
            trace, mosaic.shape, context, stood,
            exposed=_is_exposed(findings, base), repeated=bool(repeated),
        )  # fmt: skip
        findings += repeated
    findings += gate_uneven(gate, settings.light)
    if not any(f.code in _ADVANCE_CODES for f in findings):
        findings += counted_on(edge, context)
    findings += light_as_before(findings, stood, (picture, framing, base), gate, context)
    if negative or empty is not None:
        told = learnt(base, now, empty is not None, certain)
    else:
        told = lightest_of(headroom, memory, now, strobe=strobe)
    remembered = memory.with_frame(trace, told)
    return FrameMeasurement(
        saturated=counted.shares(),
        saturated_picture=in_picture,
        headroom_ev=in_view,
        headroom_picture_ev=headroom,
        base=base,
        base_ev=base.ev if base else None,
        advice_ev=advice.ev,
        advice_shutter=advice.shutter,
        histogram=bars,
        framing=framing,
        edge=edge,
        sharpness=None if empty is not None else focusing.result(),
        density=None if strobe else _densities(picture, gate, where, base, framing, now),
        findings=ranked(findings),
        memory=replace(remembered, standings=stood),
        picture=small,
    )


def _base(
    picture: Survey,
    framing: Framing | None,
    expected: dict[str, float] | None,
    reckoned: dict[str, float] | None,
) -> Base | None:
    """Return a negative's base; ``reckoned`` is what the roll leads to expect, certain or not."""
    sure = framing if framing and framing.sure and len(framing.seen) >= _SURE_SIDES else None
    base = base_of(
        picture, sure.picture if sure else None, sure.scale if sure else None,
        sure.rebate if sure else None, expected,
    )  # fmt: skip
    return lighter(base, reckoned, outlined=sure is not None)


def _highest_ev(gate: OpenGate | None, now: Exposure, context: FrameContext) -> float | None:
    """Return where the base lies at the highest by the open gate, None where it is not known.

    A strobe is turned down for the open gate and up again for the film, and no file tells that.
    """
    known = gate is not None and not context.settings.light.strobe
    ratio = ex.exposure_ratio(now, gate.exposure) if gate and known else None
    return highest_base_ev(gate, ratio, context.settings.exposure.least_base_density)


def _is_exposed(findings: list[Finding], base: Base | None) -> bool:
    """Whether the exposure is such that grain can be judged by its density."""
    if any(f.code in EXPOSURE_CODES for f in findings if f.severity is _GRAVE):
        return False
    # Under a lamp that is another one than the roll leads to expect no density is known.
    reckoned = base is not None and base.source == "roll"
    return not (reckoned and any(f.code == "light-changed" for f in findings))


def _seconds(mosaic: Mosaic, context: FrameContext) -> float | None:
    return context.shutter[1] if context.shutter else mosaic.exposure_seconds


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
    return advise(
        ev, context.shutter, context.shutters, limits.base_tolerance_ev,
        strobe=context.settings.light.strobe,
    )  # fmt: skip


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


def _detail(picture: Survey, outline: Quad | None, negative: bool) -> NDArray[np.int8] | None:
    """Return what the picture is recognised by."""
    seen = seen_area(picture, negative)
    return signature(picture, outline or seen.shrunk(MARGIN), seen)


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
    place = None
    if framing is not None and base is not None and base.source == "rebate":
        place = beside(framing.picture, picture.step, framing.scale, shape)
    return density_report(picture, gate, where, base.signal if base else None, place, ratio)


def small_picture(picture: Survey) -> FloatArray:
    """Return a small linear picture, (h, w, 3), relative to saturation; one channel gives grey."""
    small = picture
    while max(small.signal.shape[1:]) > _PICTURE_SIDE:
        small = Survey(small.half, small.step * 2, picture.channels)
    planes = [small.colour(letter) for letter in "RGB"]
    return np.stack([small.main if p is None else p for p in planes], axis=2).astype(np.float32)
