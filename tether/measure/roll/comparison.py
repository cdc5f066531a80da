"""A frame against the roll's earlier frames, and what the roll's memory takes from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tether.facts import ExposureValues
from tether.findings import Finding, Severity
from tether.measure.context import FrameContext
from tether.measure.exposure.advice import exposure_ratio
from tether.measure.exposure.base import Base
from tether.measure.film.dust import compare_dust
from tether.measure.film.edge_code import EdgeCode, FilmPlace, number_findings
from tether.measure.film.same_picture import repeat_findings
from tether.measure.focus.sharpness import Sharpness
from tether.measure.focus.softness import compare_focus, focus_drift, reference_of
from tether.measure.framing.position import Framing
from tether.measure.levels import stops
from tether.measure.light.light_pattern import light_moved
from tether.measure.roll.drift import (
    LEVEL,
    SHARPNESS,
    FrameRecord,
    Rows,
    base_levels,
    light_drift,
    sharpness_of,
    with_row,
)
from tether.measure.roll.memory import MOST_FRAMES, KnownBase, OpenGate, RollMemory, Trace
from tether.measure.survey import Survey
from tether.settings import ExposureSettings

_FEW_FRAMES = 3
_STRICTER = 0.4
_SAME_EXPOSURE = 0.05


def expected_base(
    memory: RollMemory, now: ExposureValues, *, strobe: bool = False
) -> dict[str, float] | None:
    """Return the roll's base per channel at this exposure; see `exposure_ratio` for ``strobe``."""
    if memory.base is None:
        return None
    ratio = exposure_ratio(now, memory.base.exposure, strobe=strobe)
    if ratio is None:
        return None
    return {name: value * ratio for name, value in memory.base.signal.items()}


def is_settled(
    memory: RollMemory, now: ExposureValues, limits: ExposureSettings, *, strobe: bool = False
) -> bool:
    """Whether a transparency's exposure is right as the roll's earlier frames have it.

    So it is where the roll's highlights were calibrated for it, or where the lightest that earlier
    frames showed would lie less than a stop under the target now.
    """
    reckoned = expected_base(memory, now, strobe=strobe)
    if memory.base is None or not reckoned:
        return False
    ratio = exposure_ratio(now, memory.base.exposure, strobe=strobe)
    if memory.base.certain and ratio is not None and abs(ratio - 1) < _SAME_EXPOSURE:
        return True
    level = float(stops(max(reckoned.values())))
    return limits.base_target_ev - limits.slide_note_ev <= level <= 0.0


def highlights_for_roll(
    headroom: dict[str, float], memory: RollMemory, now: ExposureValues, *, strobe: bool = False
) -> KnownBase | None:
    """Return what a transparency tells of the roll's highlights, None where nothing new.

    ``headroom`` are the stops per channel from the picture's highlights up to saturation. What was
    calibrated is not overruled, and of what is saturated the level is not known.
    """
    base = memory.base
    if min(headroom.values()) <= 0 or (base is not None and base.certain):
        return None
    signal = {name: float(2.0**-ev) for name, ev in headroom.items()}
    reckoned = expected_base(memory, now, strobe=strobe)
    if reckoned and max(reckoned.values()) >= max(signal.values()):
        return None
    return KnownBase(signal, now, certain=False)


def base_for_roll(
    base: Base | None, now: ExposureValues, empty: bool, certain: bool
) -> KnownBase | None:
    """Return what this frame tells of the roll's base; pictures do not overrule a rebate."""
    if base is None or base.clipped or base.source == "roll":
        return None
    if base.source == "rebate":
        return KnownBase(base.signal, now)
    return None if certain or empty else KnownBase(base.signal, now, certain=False)


def trace_of(framing: Framing | None, edge: EdgeCode | None, context: FrameContext) -> Trace:
    """Return what is remembered of a frame on which nothing could be compared."""
    bits = edge.bits if edge and edge.film_mm is not None else None
    return Trace(
        -1 if context.frame_number is None else context.frame_number,
        scale=framing.scale if framing and framing.sure else 0.0,
        film=bits.film if bits else "",
        film_mm=(edge.film_mm or 0.0) if edge else 0.0,
    )


def compare_number(edge: EdgeCode | None, context: FrameContext) -> list[Finding]:
    """Compare the number on the film's edge with those of the frames before."""
    before = context.memory.before(context.frame_number)
    places = [FilmPlace(t.frame, t.film, t.film_mm) for t in before if t.film and t.frame >= 0]
    return number_findings(edge, context.frame_number, places, context.film_format.pitch)


def records_with_frame(
    base: Base | None, sharpness: Sharpness | None, now: ExposureValues, context: FrameContext
) -> Rows:
    """Return how light and lens stood at the roll's frames, this one last."""
    level, red, blue = (np.nan,) * 3
    if base is not None and base.source == "rebate" and not base.clipped:
        level, red, blue = base_levels(base.signal)
    rows = context.memory.records
    sharp = np.nan
    if sharpness is not None and _of_grain(sharpness, rows, context.settings.focus.plain_ratio):
        sharp = sharpness.overall
    # Grain is told by density: a base that is only guessed, and guessed better with every picture,
    # would make it seem to fall.
    if base is not None and base.source == "picture":
        sharp = np.nan
    number = -1 if context.frame_number is None else context.frame_number
    return with_row(rows, FrameRecord(context.order, number, now, level, red, blue, sharp))


def _of_grain(sharpness: Sharpness, rows: Rows | None, plain_ratio: float) -> bool:
    """Whether a frame's figure is that of its grain.

    Detail of a picture only ever adds to it, so that one no higher than the roll's is grain's as
    well; and blur itself takes from a frame what its grain is known by.
    """
    if sharpness.plain >= plain_ratio:
        return True
    earlier = rows[np.isfinite(rows[:, SHARPNESS]), SHARPNESS] if rows is not None else np.zeros(0)
    return bool(earlier.size >= _FEW_FRAMES and sharpness.overall <= np.median(earlier))


def compare_light(
    findings: Sequence[Finding],
    rows: Rows,
    seen: tuple[Survey, Framing | None, Base | None],
    gate: OpenGate | None,
    context: FrameContext,
) -> list[Finding]:
    """Compare the light with that of the open gate and of the frames before.

    Parameters
    ----------
    findings
        What was found so far. With a frame that has to be shot again nothing is compared, and its
        row in ``rows`` is emptied: blur and bad framing mix the picture into the rebate.
    rows
        The roll's `records_with_frame`, this frame's last.
    seen
        The frame's survey, framing and base.
    gate
        The open gate, None where it is not known.
    context
        Settings, and since when the light is compared.
    """
    if any(f.severity is Severity.RESHOOT for f in findings):
        rows[-1, LEVEL:] = np.nan
        return []
    limits = context.settings.light
    outlined = any(trace.scale > 0 for trace in context.memory.frames)
    moved = light_moved(*seen, gate, limits, outlined=outlined)
    return moved + light_drift(rows, context.since, limits)


def compare_with_roll(
    trace: Trace,
    shape: tuple[int, int],
    context: FrameContext,
    rows: Rows,
    *,
    exposed: bool = True,
    repeated: bool = False,
) -> list[Finding]:
    """Compare with the frames before: focus, its drift, dust that stays.

    ``rows`` are the roll's `records_with_frame`, this frame's last.
    ``exposed`` is False where the exposure is so far off that the frame has to be repeated for
    that alone: noise and saturation then say nothing about focus. ``repeated`` is True where the
    picture is one that was photographed before: what lies at the same place is then the film's own.
    """
    settings = context.settings
    before = context.memory.before(context.frame_number)
    sharp = [Sharpness.from_array(t.sharpness) for t in before if t.sharpness is not None]
    findings: list[Finding] = []
    if trace.sharpness is not None and exposed:
        now = Sharpness.from_array(trace.sharpness)
        limits = settings.focus
        if len(sharp) < _FEW_FRAMES:
            # Detail of one or two pictures can pass for grain: only what is plainly soft is told.
            limits = replace(
                limits,
                soft_ratio=limits.soft_ratio * _STRICTER,
                side_ratio=limits.side_ratio * _STRICTER,
            )
        findings += compare_focus(now, reference_of(sharp, settings.focus), limits)
        if not findings:
            figures = sharpness_of(rows)
            # A slow drift shows over the whole roll, one that has just begun in its last frames.
            findings += focus_drift(figures[-MOST_FRAMES:], settings.focus) or focus_drift(
                figures, settings.focus
            )
    earlier = [t.spots for t in before if t.spots is not None]
    if trace.spots is not None and not repeated:
        findings += compare_dust(trace.spots, earlier, settings.dust, shape[1] / max(1, shape[0]))
    return findings


def compare_picture(
    detail: NDArray[np.int8] | None, framing: Framing | None, context: FrameContext
) -> list[Finding]:
    """Compare the picture with those of the frames before."""
    outlined = framing is not None and framing.sure
    earlier, both = [], []
    for trace in context.memory.before(context.frame_number):
        if trace.picture is not None:
            earlier.append((trace.frame, trace.picture))
            both.append(outlined and trace.scale > 0)
    return repeat_findings(detail, earlier, context.settings.advance, both)
