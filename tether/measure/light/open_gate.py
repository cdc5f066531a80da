"""The light on an open gate: level, evenness, flicker, colour, and what to change."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tether.findings import Finding, Severity
from tether.findings.about_exposure import turn_power
from tether.measure.exposure.advice import exposure_ratio
from tether.measure.film.dust import find_spots
from tether.measure.levels import FloatArray, main_channels, stops
from tether.measure.light.flicker import flicker, flicker_finding
from tether.measure.roll.memory import OpenGate
from tether.measure.survey import Survey
from tether.raw import Mosaic
from tether.settings import BenchSettings, ExposureSettings, LightSettings
from tether.text import percent, plural
from tether.text import stops as stops_words

GRID = (16, 24)
"""Rows and columns of the grid on which evenness is measured."""

METERED_FIELD_EV = -math.log2(7.8)
"""Where an evenly lit field lies after a meter's own exposure, in stops from saturation.

ISO 12232: saturation-based speed 78 / H_sat and arithmetic mean exposure 10 / S give a ratio of
7.8 (constants from memory of the standard): 2.96 stops.
"""

_DARK = 0.25
"""Share of the light below which a place counts as the gate's mask."""


@dataclass(frozen=True, slots=True)
class Light:
    """What an open gate shows.

    Attributes
    ----------
    mean_ev
        Mean light in green in stops from saturation.
    evenness_ev, evenness_percent
        Darkest against lightest cell of the grid: stops between them, and how much less light the
        darkest has, in per cent.
    darkest, lightest
        Where they lie, in words ("upper left", "middle").
    grid
        Light relative to the lightest cell, shape `GRID`, 0..1; NaN behind the gate's mask.
    flicker_percent
        Amplitude of periodic bands along the rows, in per cent of the light.
    bands
        How many of them lie across the sensor's height; 0 where there are none.
    neutral
        Signal of red and blue over green ("R/G", "B/G"), empty for a sensor without colours.
    saturated
        Whether so much of the field is saturated that nothing else can be trusted.
    spots
        Small dark spots in it: dust on lens, sensor or lamp.
    """

    mean_ev: float
    evenness_ev: float
    evenness_percent: float
    darkest: str
    lightest: str
    grid: FloatArray
    flicker_percent: float
    bands: float
    neutral: dict[str, float]
    saturated: bool
    spots: int = 0


def measure_light(mosaic: Mosaic, picture: Survey) -> Light:
    """Measure an open gate: the lamp on, no film.

    Parameters
    ----------
    mosaic
        The frame, for the flicker's bands (all rows are looked at).
    picture
        Its survey, for everything else.
    """
    main = picture.main
    lit = _lit(main)
    mean = float(main[lit].mean()) if lit.any() else float(main.mean())
    relative, least = _relative(main, lit)
    percent, bands = flicker(mosaic)
    return Light(
        mean_ev=float(stops(mean)),
        evenness_ev=float(-np.log2(max(least, 1e-6))),
        evenness_percent=100 * (1 - least),
        darkest=place_name(relative, np.nanargmin),
        lightest=place_name(relative, np.nanargmax),
        grid=relative,
        flicker_percent=percent,
        bands=bands,
        neutral=neutral_of(picture, lit),
        saturated=bool(np.mean(main[lit] >= 0.995) > 0.01) if lit.any() else False,
        spots=len(find_spots(mosaic)),
    )


_TEXTURE = 0.06
"""Spread of light along the rows of a small cell, over their middle, beyond which film shows in the
gate. On the simulated bench an open gate has 0.04 at most, five stops too dark, with a flickering
lamp or one moved aside; film has 0.07 and more."""
_CELL = 7


def shows_film(picture: Survey) -> bool:
    """Tell whether film with a picture on it lies in the gate, where the bare lamp should be.

    A fifth of the view has to have structure: dust and the gate's mask do not count. A flickering
    lamp differs from row to row, so only what differs along them is taken.
    """
    main = picture.main
    step = max(1, min(main.shape) // 168)
    rows, columns = (n // step // _CELL * _CELL for n in main.shape)
    small = main[: rows * step, : columns * step].reshape(rows, step, columns, step)
    cells = small.mean(axis=(1, 3)).reshape(rows // _CELL, _CELL, columns // _CELL, _CELL)
    relative = cells / np.maximum(np.median(cells, axis=3, keepdims=True), 1e-3)
    low, high = np.percentile(relative, (10, 90), axis=(1, 3))
    return float(np.percentile(high - low, 80)) > _TEXTURE


def uneven_percent(picture: Survey) -> float:
    """Return how much less light the darkest part of an open gate has, as `Light` states it."""
    return 100 * (1 - _relative(picture.main, _lit(picture.main))[1])


def _lit(main: FloatArray) -> NDArray[np.bool_]:
    lit: NDArray[np.bool_] = main > _DARK * np.percentile(main[::4, ::4], 99)
    return lit


def _relative(main: FloatArray, lit: NDArray[np.bool_]) -> tuple[FloatArray, float]:
    """Return the light of each cell relative to the lightest, and the least of them."""
    grid = _cells(main, lit)
    top = float(np.nanmax(grid)) if np.isfinite(grid).any() else 0.0
    relative = np.clip(np.asarray(grid / max(top, 1e-9), np.float32), 0, 1)
    return relative, float(np.nanmin(relative)) if top > 0 else 1.0


def _cells(
    plane: FloatArray,
    lit: NDArray[np.bool_],
    middle: Callable[[FloatArray], np.floating] = np.median,
) -> FloatArray:
    """Return the middle of each cell of the grid, NaN where the mask covers part of it."""
    rows = np.linspace(0, plane.shape[0], GRID[0] + 1).astype(int)
    columns = np.linspace(0, plane.shape[1], GRID[1] + 1).astype(int)
    cells = np.full(GRID, np.nan, np.float32)
    for r in range(GRID[0]):
        for c in range(GRID[1]):
            where = np.s_[rows[r] : rows[r + 1], columns[c] : columns[c + 1]]
            if lit[where].size and lit[where].mean() > 0.98:
                cells[r, c] = middle(plane[where])
    return cells


def place_name(grid: FloatArray, which: Callable[[FloatArray], np.intp]) -> str:
    """Return in words where the extreme cell of a grid lies, "nowhere" where none is known."""
    if not np.isfinite(grid).any():
        return "nowhere"
    row, column = np.unravel_index(int(which(grid)), grid.shape)
    vertical = ("upper", "", "lower")[min(2, int(3 * row / grid.shape[0]))]
    horizontal = ("left", "", "right")[min(2, int(3 * column / grid.shape[1]))]
    return " ".join(part for part in (vertical, horizontal) if part) or "middle"


def neutral_of(picture: Survey, where: NDArray[np.bool_]) -> dict[str, float]:
    """Return red and blue signal over green on the chosen pixels."""
    green = picture.colour("G")
    if green is None or not where.any():
        return {}
    level = float(np.median(green[where]))
    result = {}
    for letter in "RB":
        plane = picture.colour(letter)
        if plane is not None and level > 0:
            result[f"{letter}/G"] = float(np.median(plane[where])) / level
    return result


def stray_share(lamp_off: Survey, open_gate: Survey, ratio: float = 1.0) -> float:
    """Return the light that reaches the sensor with the lamp off, as a share of the open gate's.

    ``ratio`` is how many times the exposure of the dark frame is that of the open gate. The
    brightest cell of a grid is taken, in the channel where it is worst against the gate's median:
    stray light comes from one side, and hardly ever in the lamp's colour.
    """
    shares = []
    for dark, light in zip(lamp_off.signal, open_gate.signal, strict=True):
        cells = _cells(dark, np.ones(dark.shape, bool), np.mean)
        shares.append(float(np.nanmax(cells)) / max(float(np.median(light[::2, ::2])), 1e-6))
    return max(0.0, *shares) / ratio


def multipliers_of(mosaic: Mosaic) -> tuple[float, float, float] | None:
    """Return the white balance set as multipliers for red, green and blue; None if not stated."""
    stated = dict(zip(mosaic.channels, mosaic.white_balance, strict=False))
    values = [stated.get("R", 0.0), stated.get("G1", stated.get("G", 0.0)), stated.get("B", 0.0)]
    return (values[0], values[1], values[2]) if min(values) > 0 else None


def neutral_words(neutral: Mapping[str, float]) -> str:
    """Return what `neutral_of` found, in words."""
    named = {"R/G": "red", "B/G": "blue"}
    shares = " and ".join(f"{named.get(key, key)} {value:.3f}" for key, value in neutral.items())
    return f"{shares} of green, in the raw file"


def balance_off_ev(neutral: dict[str, float], white_balance: tuple[float, float, float]) -> float:
    """Return how far the white balance set is from the lamp's colour, in stops.

    The greatest of what red and blue are off green after the multipliers (red, green, blue) are
    put on: 0 for a balance that makes the open gate grey.
    """
    red, green, blue = white_balance
    if min(red, green, blue) <= 0 or len(neutral) < 2:
        return 0.0
    return max(
        abs(math.log2(max(neutral["R/G"], 1e-6) * red / green)),
        abs(math.log2(max(neutral["B/G"], 1e-6) * blue / green)),
    )


_METERED_WITHIN = 0.5
"""Stops from the metered level within which an open gate was probably exposed by the meter."""
_LAMP_ON = 0.3
"""Share of the open gate's light above which the frame with the lamp off shows the lamp."""
_TOO_DARK_EV = -7.0
"""Mean light, in stops from saturation, below which noise hides pattern and bands."""


_COUNTED = {1.0: "one", 2.0: "two", 3.0: "three", 4.0: "four"}


def step_down(
    settings: LightSettings,
    exposure: ExposureSettings | None = None,
    bench: BenchSettings | None = None,
) -> float:
    """Return by how many stops less light a saturated open gate is tried again, negative.

    A strobe is turned by hand, so it is turned to where its gate is kept, if it was just saturated.
    """
    step = (exposure or ExposureSettings()).from_saturation_ev
    return max(step, (bench or BenchSettings()).strobe_gate_ev + 1) if settings.strobe else step


def judge_light(
    light: Light,
    settings: LightSettings | None = None,
    *,
    seconds: float | None = None,
    shutters: tuple[tuple[str, float], ...] = (),
    white_balance: tuple[float, float, float] | None = None,
    exposure: ExposureSettings | None = None,
    bench: BenchSettings | None = None,
) -> list[Finding]:
    """Say what to change about the light.

    Parameters
    ----------
    light
        The open gate, from `tether.measure.light.open_gate.measure_light`.
    seconds, shutters
        The shutter time it was taken at and the settings that the camera has, for the advice.
    white_balance
        Multipliers for red, green and blue as the camera was set.
    exposure, bench
        How much less light is asked for where it is saturated; see `step_down`.

    Returns
    -------
    ``light-saturated``, ``light-too-dark`` (after either nothing else is said), ``light-uneven``,
    ``gate-spots``, ``lamp-flicker``, ``white-balance-off`` and ``light-metered``. Of a strobe
    neither flicker nor metering is judged.
    """
    settings = settings or LightSettings()
    if light.saturated:
        less = step_down(settings, exposure, bench)
        return [
            Finding.of(
                "light-saturated",
                round(light.mean_ev, 2),
                case="strobe" if settings.strobe else "",
                count=_COUNTED.get(-less, f"{-less:g}"),
                turn=turn_power(less),
            )
        ]
    if light.mean_ev < _TOO_DARK_EV:
        case = "strobe" if settings.strobe else ""
        return [Finding.of("light-too-dark", round(light.mean_ev, 2), case=case)]
    findings = []
    if light.evenness_percent > settings.uneven_percent:
        findings.append(_uneven(light))
    if light.spots:
        spots = plural(light.spots, "dark spot", "dark spots")
        findings.append(Finding.of("gate-spots", float(light.spots), spots=spots))
    if light.flicker_percent > settings.flicker_percent and not settings.strobe:
        bands = (light.flicker_percent, light.bands)
        findings.append(flicker_finding(bands, seconds, shutters, Severity.RESHOOT))
    if white_balance is not None:
        off = balance_off_ev(light.neutral, white_balance)
        if off > settings.balance_ev:
            findings.append(Finding.of("white-balance-off", round(off, 2), stops=off))
    if abs(light.mean_ev - METERED_FIELD_EV) < _METERED_WITHIN and not settings.strobe:
        below = stops_words(light.mean_ev)
        findings.append(Finding.of("light-metered", round(light.mean_ev, 2), stops=below))
    return findings


def judge_power(light: Light, bench: BenchSettings | None = None) -> list[Finding]:
    """Say by how many stops a strobe's power is off for its open gate.

    Returns
    -------
    ``strobe-power``: a note within the limits in which its pattern can be measured, to be
    photographed again below them. Nothing where it lies as it should, or `judge_light` says more.
    """
    bench = bench or BenchSettings()
    off = bench.gate_target_ev - light.mean_ev
    if light.saturated or light.mean_ev < _TOO_DARK_EV or abs(off) <= bench.gate_tolerance_ev:
        return []
    far = light.mean_ev < bench.strobe_gate_ev
    return [
        Finding.of(
            "strobe-power",
            round(off, 2),
            Severity.RESHOOT if far else Severity.NOTE,
            case="far" if far else "",
            below=-light.mean_ev,
            target=-bench.gate_target_ev,
            stops=abs(off),
            way="more" if off > 0 else "less",
            turn=turn_power(off),
        )
    ]


def lamp_changed(
    now: OpenGate, before: OpenGate, settings: LightSettings | None = None
) -> list[Finding]:
    """Say ``lamp-changed`` where an open gate has other light than the one before, as exposed.

    Nothing where their exposures are not both known, as under a strobe, or their sensors differ.
    """
    settings = settings or LightSettings()
    ratio = exposure_ratio(now.exposure, before.exposure)
    if ratio is None or now.channels != before.channels:
        return []
    which = main_channels(now.channels)
    light, earlier = (float(np.median(gate.grid[which])) for gate in (now, before))
    if min(light, earlier) <= 0:
        return []
    change = math.log2(light / earlier / ratio)
    if abs(change) <= settings.drift_ev:
        return []
    way = "more" if change > 0 else "less"
    return [Finding.of("lamp-changed", round(change, 2), stops=abs(change), way=way)]


def judge_stray_light(share: float, settings: LightSettings | None = None) -> list[Finding]:
    """Say whether too much light reaches the sensor with the lamp off.

    Parameters
    ----------
    share
        That light over the open gate's at the same exposure, 0..1, from `stray_share`.

    Returns
    -------
    ``lamp-still-on``, ``stray-light``, or nothing. A share s lifts every density toward
    ``-log10 s``, the greatest that can be measured at all (ISO 5-1: D = -log10 T).
    """
    settings = settings or LightSettings()
    if share > _LAMP_ON:
        return [Finding.of("lamp-still-on", round(share, 4), share=percent(share))]
    if share <= settings.stray_share:
        return []
    return [Finding.of("stray-light", round(share, 6), share=percent(share))]


def _uneven(light: Light) -> Finding:
    return Finding.of(
        "light-uneven",
        round(light.evenness_percent, 1),
        case="one-place" if light.darkest == light.lightest else "",
        percent=light.evenness_percent,
        stops=light.evenness_ev,
        darkest=light.darkest,
        brightest=light.lightest,
    )
