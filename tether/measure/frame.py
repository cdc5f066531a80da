"""Everything that is measured of one frame, and the findings that follow from it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from tether.facts import ExposureValues
from tether.findings import Finding, Severity, ranked
from tether.findings.detectors import wanted
from tether.measure.context import FrameContext
from tether.measure.density import density_report
from tether.measure.exposure.advice import (
    EXPOSURE_CODES,
    Advice,
    advise,
    clipped_step,
    exposure_ratio,
    negative_findings,
    transparency_findings,
)
from tether.measure.exposure.base import (
    Base,
    base_of,
    beside,
    highest_base_ev,
    level_by_colour,
    lighter,
    picture_mask,
    shows_base,
    without_bare_light,
)
from tether.measure.exposure.saturation import (
    SaturationMap,
    headroom,
    histogram,
    saturation_map,
    shadows,
)
from tether.measure.film.blank import empty_negative, empty_transparency, file_damaged, lost_share
from tether.measure.film.dust import dark_places
from tether.measure.film.edge_code import edge_findings, read_edge
from tether.measure.film.same_picture import signature
from tether.measure.film.specks import dust_findings, specks_of
from tether.measure.focus.sharpness import measure_sharpness
from tether.measure.framing.position import (
    Framing,
    find_framing,
    framing_findings,
    rests_on_rebate,
    seen_area,
)
from tether.measure.levels import (
    FloatArray,
    main_channels,
    stops,
    with_known_saturation,
    with_observed_saturation,
)
from tether.measure.light.flat import gate_uneven
from tether.measure.light.flicker import frame_flicker
from tether.measure.result import FrameMeasurement
from tether.measure.roll.comparison import (
    base_for_roll,
    compare_light,
    compare_number,
    compare_picture,
    compare_with_roll,
    expected_base,
    highlights_for_roll,
    is_settled,
    records_with_frame,
    trace_of,
)
from tether.measure.roll.drift import Rows
from tether.measure.roll.memory import KnownBase, Trace
from tether.measure.roll.room_light import border_light, room_light
from tether.measure.shapes import MARGIN, middle_area, upright_box
from tether.measure.survey import Survey, survey
from tether.raw import Mosaic

__all__ = ["FrameContext", "FrameMeasurement", "measure_frame", "small_picture"]

_INSET = 0.01
"""Share of the picture left out all round, where its edge is blurred."""
_PICTURE_SIDE = 480
_FIRST_MORE_EV = 2.0
"""Light to add at first to a negative on which nothing is light enough to be base, stops."""
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
        measured = _Frame(mosaic, context, others).measured()
    if lost:
        return replace(measured, findings=(file_damaged(lost),), memory=context.memory)
    measured = replace(
        measured, findings=ranked(wanted(measured.findings, context.settings.detectors))
    )
    if mosaic.saturation == stated:
        return measured
    return replace(measured, memory=replace(measured.memory, saturation=mosaic.saturation))


class _Frame:
    """One frame while it is measured: what is in view, what its light is, and what follows.

    Counting, dust and grain are measured in a thread, beside all that does not wait for them.
    """

    def __init__(self, mosaic: Mosaic, context: FrameContext, others: ThreadPoolExecutor) -> None:
        counting = others.submit(saturation_map, mosaic)
        self._mosaic, self._context = mosaic, context
        self._settings, self._memory = context.settings, context.memory
        self._negative, self._strobe = context.process.is_negative, context.settings.light.strobe
        self._gate = context.open_gate or context.memory.open_gate
        # What is in view.
        self._picture = survey(mosaic)
        self._framing = self._believed_framing()
        self._outline = self._framing.picture if self._framing else None
        area = middle_area(mosaic.shape, self._memory.scale, context.film_format)
        if self._outline:
            area = self._outline.shrunk(_INSET)
        self._rows, self._columns = upright_box(area, mosaic.shape)
        region = (slice(*self._rows), slice(*self._columns))
        self._spotting = others.submit(dark_places, mosaic, region, self._settings.dust)
        # What its light is.
        seconds = context.shutter[1] if context.shutter else mosaic.exposure_seconds
        self._now: ExposureValues = (seconds, mosaic.iso, mosaic.f_number)
        self._reckoned = expected_base(self._memory, self._now, strobe=self._strobe)
        self._certain = self._memory.base is not None and self._memory.base.certain
        self._expected = self._reckoned if self._certain else None
        self._base = self._find_base() if self._negative else None
        self._focusing = others.submit(measure_sharpness, mosaic, region, self._clear())
        self._where = picture_mask(self._picture, area, self._base)
        self._headroom = headroom(self._picture, self._where)
        self._advice = self._advise()
        self._saturation: SaturationMap = counting.result()
        shares = self._saturation.shares_within(area)
        self._saturated = without_bare_light(shares, self._base)

    def measured(self) -> FrameMeasurement:
        """Return all of it, with what it leaves to the roll's later frames."""
        context, picture = self._context, self._picture
        edge = read_edge(picture, self._framing, context.film_format, self._negative)
        in_view = headroom(picture)
        findings = framing_findings(self._framing, context.film_format, self._settings.framing)
        findings += edge_findings(edge)
        findings += frame_flicker(self._mosaic, self._framing, self._base, context)
        empty = self._empty()
        if self._negative:
            findings += self._of_negative(-min(in_view.values()))
        elif empty is None:
            findings += self._of_transparency()
        border = border_light(picture)
        findings += self._room_light(border)
        trace = replace(trace_of(self._framing, edge, context), border=border)
        sharpness = None if empty else self._focusing.result()
        specks = np.zeros((0, 3), np.float32)
        records = records_with_frame(self._base, sharpness, self._now, context)
        if empty is not None:
            findings.append(empty)
        else:
            trace = self._full_trace(trace)
            findings += self._compared(trace, records, findings)
            dust, specks = self._dust_on_film(findings)
            findings += dust
            trace = replace(trace, specks=len(specks))
        findings += gate_uneven(self._gate, self._settings.light)
        if not any(f.code in _ADVANCE_CODES for f in findings):
            findings += compare_number(edge, context)
        seen = (picture, self._framing, self._base)
        findings += compare_light(findings, records, seen, self._gate, context)
        memory = self._memory.with_frame(trace, self._for_roll(empty is not None))
        return FrameMeasurement(
            saturated=self._saturation.shares(),
            saturated_picture=self._saturated,
            headroom_ev=in_view,
            headroom_picture_ev=self._headroom,
            base=self._base,
            base_ev=self._base.ev if self._base and not self._base.clipped else None,
            advice_ev=self._advice.ev,
            advice_at_least=self._advice.at_least,
            advice_shutter=self._advice.shutter,
            histogram=histogram(picture, self._where),
            framing=self._framing,
            edge=edge,
            sharpness=sharpness,
            density=None if self._strobe else self._densities(),
            findings=ranked(findings),
            memory=replace(memory, records=records),
            specks=specks,
            picture=small_picture(picture),
        )

    # --- what is in view, and its light ------------------------------------------------------

    def _believed_framing(self) -> Framing | None:
        """Return where the picture lies; None where its outline is not found, or not believed."""
        context, memory = self._context, self._memory
        framing = find_framing(
            self._picture, context.film_format, self._negative, self._settings.framing, memory.scale
        )
        if framing is None or memory.contradicts(framing.scale, len(framing.seen)):
            return None
        return framing if rests_on_rebate(framing, self._picture, self._negative) else None

    def _find_base(self) -> Base | None:
        """Return a negative's base: of its rebate, by the roll, or of the picture."""
        framing = self._framing
        sure = framing if framing and framing.sure and len(framing.seen) >= _SURE_SIDES else None
        base = base_of(
            self._picture, sure.picture if sure else None, sure.scale if sure else None,
            sure.rebate if sure else None, self._expected,
        )  # fmt: skip
        return lighter(base, self._reckoned, outlined=sure is not None)

    def _clear(self) -> float | None:
        """Return the signal of clear film in the main channels."""
        if self._base is None:
            return None
        channels = self._picture.channels
        return float(np.mean([self._base.signal[channels[i]] for i in main_channels(channels)]))

    def _advise(self) -> Advice:
        """Return the change of light that brings the frame to its target."""
        limits = self._settings.exposure
        if not self._negative:
            least = min(self._headroom.values())
            level = -least if least > 0 else None
        else:
            level = self._base_level()
        ev = clipped_step(limits) if level is None else limits.base_target_ev - level
        if self._negative and self._base is None:
            ev = _FIRST_MORE_EV
        return advise(
            ev, self._context.shutter, self._context.shutters, limits.base_tolerance_ev,
            strobe=self._strobe, at_least=level is None,
        )  # fmt: skip

    def _base_level(self) -> float | None:
        """Return a negative's base in stops from saturation; None where that cannot be told.

        Of a clipped base the channels that are not clipped are asked first, then the exposure.
        """
        base, known = self._base, self._memory.base
        if base is None or not base.clipped:
            return None if base is None else base.ev
        by_colour = level_by_colour(base, known.signal) if known and known.certain else None
        if by_colour is not None:
            return by_colour
        highest = max(self._expected.values()) if self._expected else 0.0
        return float(stops(highest)) if highest > 1.0 else None

    # --- findings ----------------------------------------------------------------------------

    def _of_negative(self, lightest_ev: float) -> list[Finding]:
        """Judge a negative's exposure; ``lightest_ev`` is that of the whole view."""
        expected, memory = self._expected, self._memory
        earlier = memory.before(self._context.frame_number) if self._reckoned else ()
        missing = expected and memory.shows_rebate and not shows_base(self._picture, expected)
        return negative_findings(
            self._base, self._advice, self._saturated,
            float(stops(max(expected.values()))) if expected else None,
            self._settings.exposure, lightest_ev,
            highest_ev=self._highest_ev(), pictures=len(earlier), rebate_missing=bool(missing),
        )  # fmt: skip

    def _of_transparency(self) -> list[Finding]:
        """Judge a transparency's exposure, and its shadows."""
        limits = self._settings.exposure
        return transparency_findings(
            self._advice, min(self._headroom.values()), self._saturated,
            shadows(self._mosaic, self._rows, self._columns), limits,
            settled=is_settled(self._memory, self._now, limits, strobe=self._strobe),
        )  # fmt: skip

    def _room_light(self, border: FloatArray) -> list[Finding]:
        """Say that light of the room falls on the film."""
        if self._negative and self._base is None:
            return []
        before = self._memory.before(self._context.frame_number)
        earlier = [trace.border for trace in before if trace.border is not None]
        base = self._base if self._negative else None
        return room_light(self._picture, border, earlier, base, self._settings.room_light)

    def _dust_on_film(self, findings: list[Finding]) -> tuple[list[Finding], FloatArray]:
        """Say that there are specks on this frame; return them. A picture out of focus has none."""
        if any(f.severity is Severity.RESHOOT for f in findings):
            return [], np.zeros((0, 3), np.float32)
        clear = self._clear() if self._negative else None
        clear_ev = float(stops(clear)) if clear is not None else None
        limits = self._settings.specks
        specks = specks_of(self._spotting.result(), clear_ev, limits)
        before = self._memory.before(self._context.frame_number)
        return dust_findings(
            specks,
            [trace.spots for trace in before if trace.spots is not None],
            [trace.specks for trace in before if trace.specks >= 0],
            self._settings.dust.place,
            limits,
        )

    def _highest_ev(self) -> float | None:
        """Return where the base lies at the highest by the open gate, None where not known.

        A strobe is turned down for the open gate and up again for the film, and no file tells that.
        """
        gate, ratio = self._gate, None
        if gate is not None and not self._strobe:
            ratio = exposure_ratio(self._now, gate.exposure)
        return highest_base_ev(gate, ratio, self._settings.exposure.least_base_density)

    def _empty(self) -> Finding | None:
        """Say that the frame shows nothing, None where it shows something."""
        if not self._negative:
            return empty_transparency(self._picture, self._where)
        # The base in the main channels, where it is known for certain.
        base, channels, level = self._base, self._picture.channels, None
        signal = base.signal if base and base.source == "rebate" else self._expected
        if signal is not None:
            names = [channels[i] for i in main_channels(channels)]
            values = [signal[name] for name in names if name in signal]
            level = float(stops(np.mean(values))) if values else None
        return empty_negative(self._picture, self._where, level)

    def _full_trace(self, trace: Trace) -> Trace:
        """Return what is remembered of a frame that shows something."""
        seen = seen_area(self._picture, self._negative)
        detail = signature(self._picture, self._outline or seen.shrunk(MARGIN), seen)
        return replace(
            trace,
            sharpness=self._focusing.result().as_array(),
            spots=self._spotting.result().spots,
            picture=detail,
        )

    def _compared(self, trace: Trace, records: Rows, findings: list[Finding]) -> list[Finding]:
        """Compare the frame with the roll's others: focus, dust, whether it is the same picture."""
        between = any(f.code == "between-frames" for f in findings)
        same = [] if between else compare_picture(trace.picture, self._framing, self._context)
        return [
            *compare_with_roll(
                trace, self._mosaic.shape, self._context, records,
                exposed=self._is_exposed(findings), repeated=bool(same),
            ),
            *same,
        ]  # fmt: skip

    def _is_exposed(self, findings: list[Finding]) -> bool:
        """Whether the exposure is such that grain can be judged by its density."""
        if any(f.code in EXPOSURE_CODES and f.severity is Severity.RESHOOT for f in findings):
            return False
        # Under a lamp that is another one than the roll leads to expect no density is known.
        by_roll = self._base is not None and self._base.source == "roll"
        return not (by_roll and any(f.code == "light-changed" for f in findings))

    # --- what is left to the roll ------------------------------------------------------------

    def _for_roll(self, empty: bool) -> KnownBase | None:
        """Return what the frame tells of the roll's base, or of its highlights."""
        if self._negative or empty:
            return base_for_roll(self._base, self._now, empty, self._certain)
        return highlights_for_roll(self._headroom, self._memory, self._now, strobe=self._strobe)

    def _densities(self) -> dict[str, dict[str, float | None]] | None:
        """Return the density report where an open gate at a comparable exposure is known."""
        gate, picture, base, framing = self._gate, self._picture, self._base, self._framing
        if gate is None or gate.channels != picture.channels:
            return None
        ratio = exposure_ratio(self._now, gate.exposure)
        if ratio is None:
            return None
        place = None
        if framing is not None and base is not None and base.source == "rebate":
            place = beside(framing.picture, picture.step, framing.scale, picture.shape)
        signal = base.signal if base else None
        return density_report(picture, gate, self._where, signal, place, ratio)


def small_picture(picture: Survey) -> FloatArray:
    """Return a small linear picture, (h, w, 3), relative to saturation; one channel gives grey."""
    small = picture
    while max(small.signal.shape[1:]) > _PICTURE_SIDE:
        small = Survey(small.half, small.step * 2, picture.channels)
    planes = [small.colour(letter) for letter in "RGB"]
    return np.stack([small.main if p is None else p for p in planes], axis=2).astype(np.float32)
