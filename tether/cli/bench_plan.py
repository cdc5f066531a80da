"""The plan of a bench and of a collection, as values; its words are in `plan`.

The keys and their units are documented in docs/json.md.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.records import LONGEST_ROLL
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmFormat
from tether.measure import optics
from tether.reports.pace import ArchiveProgress, archive_progress
from tether.settings import PlanningSettings, Settings
from tether.text import printable

LARGEST_COLLECTION = 10_000_000
MEGAPIXELS = "MP"


class PlanError(TetherError):
    """What was said makes no sense."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line said; None for what it did not say.

    ``pixels`` is ``8192x5464`` or megapixels, ``closest`` a number or a scale such as ``1:2``.
    """

    film_format: str = "135"
    sensor: str = "36x24"
    pixels: str | None = None
    focal: float | None = None
    aperture: float | None = None
    pupil_ratio: float = 1.0
    closest: str | None = None
    rolls: int | None = None
    frames_per_roll: int | None = None
    seconds_per_frame: float | None = None


@dataclass(frozen=True, slots=True)
class PlannedBench:
    """The same in numbers: mm, pixels, and f-number marked on the lens."""

    film: FilmFormat
    sensor: tuple[float, float]
    pixels: tuple[int, int] | None
    focal: float | None
    aperture: float
    pupil_ratio: float
    closest: float | None

    @property
    def pitch_um(self) -> float | None:
        """Distance between pixels, µm."""
        return None if self.pixels is None else 1000 * self.sensor[0] / self.pixels[0]


def read_bench(asked: Asked, usual_aperture: float) -> PlannedBench:
    """Read what was said of camera and lens.

    Raises
    ------
    PlanError
        When a size cannot be read, or a number lies where no camera or lens is.
    """
    if asked.film_format not in FILM_FORMATS:
        raise PlanError(
            f"There is no film format '{printable(asked.film_format, 40)}'.",
            todo=f"Use one of: {', '.join(FILM_FORMATS)}.",
        )
    sensor = _sides("--sensor", asked.sensor, "36x24", "mm", 2, 300)
    aperture = usual_aperture if asked.aperture is None else asked.aperture
    return PlannedBench(
        film=FILM_FORMATS[asked.film_format],
        sensor=sensor,
        pixels=None if asked.pixels is None else _pixels(asked.pixels, sensor),
        focal=None if asked.focal is None else _within("--focal", asked.focal, 5, 2000, "mm"),
        aperture=_within("--aperture", aperture, 0.7, 128, "(an f-number)"),
        pupil_ratio=_within("--pupil-ratio", asked.pupil_ratio, 0.1, 10, "(exit over entrance)"),
        closest=None if asked.closest is None else _scale("--closest", asked.closest),
    )


def collection(asked: Asked, longest_roll: int) -> Asked:
    """Check what was said of the collection and return it unchanged."""
    if asked.rolls is not None:
        _within("--rolls", asked.rolls, 1, LARGEST_COLLECTION, "rolls")
    if asked.frames_per_roll is not None:
        _within("--frames-per-roll", asked.frames_per_roll, 1, longest_roll, "frames")
    if asked.seconds_per_frame is not None:
        _within("--seconds-per-frame", asked.seconds_per_frame, 0.1, 86400, "seconds")
    return asked


def _within(option: str, value: float, low: float, high: float, unit: str) -> float:
    if not low <= value <= high:
        raise PlanError(
            f"{option} {value:g} is out of range.",
            todo=f"Give a number from {low:.9g} to {high:.9g} {unit}.",
        )
    return value


def _number(text: str) -> float:
    """Read digits with at most one point; not the many other things that `float` takes."""
    return float(text) if re.fullmatch(r"\d{1,9}(\.\d{1,6})?", text, re.ASCII) else math.nan


def _sides(
    option: str, text: str, example: str, unit: str, low: float, high: float
) -> tuple[float, float]:
    parts = [_number(part.strip()) for part in re.split("[x×]", text.strip().lower())]
    if len(parts) != 2 or not all(low <= side <= high for side in parts):
        raise PlanError(
            f"{option} '{printable(text, 40)}' is not a width and a height.",
            todo=f"Write them as {example}, each {low:.9g} to {high:.9g} {unit}.",
        )
    return parts[0], parts[1]


def _pixels(text: str, sensor: tuple[float, float]) -> tuple[int, int]:
    tidy = text.strip().upper().removesuffix(MEGAPIXELS).strip()
    millions = _number(tidy)
    if not math.isnan(millions):
        _within("--pixels", millions, 0.3, 1000, "megapixels, or write WIDTHxHEIGHT")
        wide = math.sqrt(millions * 1e6 * sensor[0] / sensor[1])
        return round(wide), round(millions * 1e6 / wide)
    width, height = _sides("--pixels", text, "8192x5464 or 45 (megapixels)", "pixels", 100, 1e5)
    # Rows and columns of a camera lie equally far apart; a turned sensor is the usual slip.
    across, down = sensor[0] / width, sensor[1] / height
    if not 0.97 < across / down < 1.03:
        raise PlanError(
            f"--pixels {width:.0f}x{height:.0f} and a sensor of {sensor[0]:g} x {sensor[1]:g} mm "
            "do not fit together: the pixels would not be square.",
            todo="Give both with the same side first, and the sensor to a tenth of a mm.",
        )
    return round(width), round(height)


def _scale(option: str, text: str) -> float:
    on_sensor, colon, on_film = text.partition(":")
    try:
        value = _number(on_sensor.strip()) / (_number(on_film.strip()) if colon else 1.0)
    except ZeroDivisionError:
        value = math.nan
    if not 0 <= value <= 20:
        raise PlanError(
            f"{option} '{printable(text, 40)}' is not a magnification.",
            todo="Write the largest one marked on the lens, such as 0.5 or 1:2. Write 0 for a lens "
            "without focusing.",
        )
    return value


#: A roll of 135 film as it is sold (common practice, no published source).
USUAL_FRAMES = 36


def bench_plan(asked: Asked, settings: Settings, archive: Path | None = None) -> dict[str, Any]:
    """Work out a bench, and what a collection asks of time and disk.

    Raises
    ------
    PlanError
        When what was asked makes no sense.
    tether.archive.archive.ArchiveUnusable
        When there is no archive in the folder that was named.
    """
    taken = settings.planning
    asked = collection(asked, LONGEST_ROLL)
    bench = read_bench(asked, settings.bench.aperture)
    picture = (bench.film.picture_along, bench.film.picture_across)
    m = optics.filling_magnification(picture, bench.sensor, taken.rebate_mm)
    share = m**2 * picture[0] * picture[1] / (bench.sensor[0] * bench.sensor[1])
    return {
        "format": bench.film.key,
        "picture_mm": list(picture),
        "sensor_mm": list(bench.sensor),
        "pixels": None if bench.pixels is None else list(bench.pixels),
        "magnification": m,
        "rebate_mm": taken.rebate_mm,
        "sensor_share": share,
        "lens": _lens(bench, m),
        "aperture": {
            "marked": bench.aperture,
            "pupil_ratio": bench.pupil_ratio,
            "working": optics.working_aperture(bench.aperture, m, bench.pupil_ratio),
            "light_lost_ev": optics.light_lost_ev(m, bench.pupil_ratio),
        },
        "diffraction": _diffraction(bench, m, taken),
        "depth": _depth(bench, m, taken),
        "resolution": _resolution(bench, m),
        "collection": _collection(asked, settings, archive),
    }


def _lens(bench: PlannedBench, m: float) -> dict[str, Any] | None:
    if bench.focal is None and bench.closest is None:
        return None
    reaches = None if bench.closest is None else bench.closest >= m
    f = bench.focal
    return {
        "focal_mm": f,
        "closest": bench.closest,
        "reaches": reaches,
        "extension_mm": None if f is None else optics.extension(f, m),
        "spacer_mm": None
        if f is None or bench.closest is None
        else optics.spacer(f, m, bench.closest),
        "film_to_sensor_mm": None
        if f is None
        else optics.object_distance(f, m) + optics.image_distance(f, m),
    }


def _diffraction(bench: PlannedBench, m: float, taken: PlanningSettings) -> dict[str, Any] | None:
    pitch = bench.pitch_um
    if pitch is None:
        return None
    wave = taken.wavelength_nm / 1000
    p = bench.pupil_ratio
    working = optics.working_aperture(bench.aperture, m, p)
    airy, finest = optics.airy_diameter_um(working, wave), optics.nyquist(pitch)
    begins = optics.marked_aperture(optics.airy_covers(2.0, pitch, wave), m, p)
    balance = optics.marked_aperture(optics.cutoff_meets_nyquist(pitch, wave), m, p)
    limit = "both"
    if bench.aperture <= begins:
        limit = "pixels"
    elif bench.aperture >= balance:
        limit = "diffraction"
    return {
        "wavelength_nm": taken.wavelength_nm,
        "pitch_um": pitch,
        "airy_um": airy,
        "airy_pixels": airy / pitch,
        "cutoff_lp_mm": optics.optical_cutoff(working, wave),
        "nyquist_lp_mm": finest,
        "contrast_one_pixel": optics.diffraction_contrast(finest, working, wave),
        "contrast_two_pixels": optics.diffraction_contrast(finest / 2, working, wave),
        "begins_marked": begins,
        "balance_marked": balance,
        "limit": limit,
    }


def _depth(bench: PlannedBench, m: float, taken: PlanningSettings) -> dict[str, Any] | None:
    if bench.pitch_um is None:
        return None
    blur = taken.blur_pixels * bench.pitch_um / 1000
    curl = taken.curl_mm
    return {
        "blur_um": 1000 * blur,
        "blur_pixels": taken.blur_pixels,
        "depth_mm": optics.depth_at_film(bench.aperture, m, blur, bench.pupil_ratio),
        "curl_mm": curl,
        "covers_curl_marked": optics.aperture_for_depth(curl, m, blur, bench.pupil_ratio)
        if curl
        else None,
    }


def _resolution(bench: PlannedBench, m: float) -> dict[str, Any] | None:
    pitch = bench.pitch_um
    if pitch is None:
        return None
    ppi = optics.pixels_per_inch(m, pitch)
    shown = [round(side * m * 1000 / pitch) for side in (bench.film.picture_along,
                                                         bench.film.picture_across)]  # fmt: skip
    unaided = None
    if bench.closest is not None and 0 < bench.closest < m:
        unaided = optics.pixels_per_inch(bench.closest, pitch)
    return {
        "pixels_per_inch": ppi,
        "picture_pixels": shown,
        "finest_on_film_lp_mm": optics.nyquist(pitch) * m,
        "fadgi_stars": stars(ppi, bench.film.picture_along),
        "without_spacer_pixels_per_inch": unaided,
        "without_spacer_fadgi_stars": None
        if unaided is None
        else stars(unaided, bench.film.picture_along),
    }


def stars(ppi: float, longest_mm: float) -> int | None:
    """Return the most stars whose sampling frequency is reached, 0 for none.

    None for a picture longer than the film that the stars are for.
    """
    if longest_mm > optics.FADGI_LONGEST_MM:
        return None
    return max((n for n, least in optics.FADGI_STARS.items() if ppi >= least), default=0)


def _collection(asked: Asked, settings: Settings, where: Path | None) -> dict[str, Any] | None:
    have: ArchiveProgress | None = None
    if where is not None:
        opened = Archive(where, create=False)
        try:
            have = archive_progress(opened, timedelta(minutes=settings.planning.pause_minutes))
        finally:
            opened.close()
    if have is None and asked.rolls is None:
        return None
    rolls_here = have.rolls if have else 0
    rolls = rolls_here if asked.rolls is None else asked.rolls
    if rolls < rolls_here:
        raise PlanError(
            f"--rolls {rolls} is less than the {rolls_here} rolls in the archive.",
            todo="Give all rolls of the collection, with those in the archive.",
        )
    per_roll, per_roll_from = float(USUAL_FRAMES), "usual"
    if asked.frames_per_roll is not None:
        per_roll, per_roll_from = asked.frames_per_roll, "given"
    elif have and have.rolls:
        per_roll, per_roll_from = have.frames_expected / have.rolls, "archive"
    not_begun = rolls - rolls_here
    left = round(not_begun * per_roll) + (have.frames_expected - have.frames_done if have else 0)
    return {
        "rolls": rolls,
        "rolls_from": "archive" if asked.rolls is None else "given",
        "rolls_left": not_begun + (have.unfinished if have else 0),
        "frames_per_roll": per_roll,
        "frames_per_roll_from": per_roll_from,
        "frames_done": have.frames_done if have else 0,
        "frames_left": left,
        **_time(asked, settings.planning, have, left),
        **_disk(settings, have, left),
    }


def _time(
    asked: Asked, taken: PlanningSettings, have: ArchiveProgress | None, left: int
) -> dict[str, Any]:
    seconds, source, timed = asked.seconds_per_frame, "given", None
    if seconds is None and have is not None:
        seconds, source, timed = have.pace.seconds, "archive", have.pace.timed
    hours = None if seconds is None else left * seconds / 3600
    return {
        "seconds_per_frame": seconds,
        "seconds_per_frame_from": None if seconds is None else source,
        "frames_timed": timed,
        "pause_minutes": taken.pause_minutes,
        "hours_left": hours,
        "day_hours": taken.day_hours,
        "days_left": None if hours is None else hours / taken.day_hours,
    }


def _disk(settings: Settings, have: ArchiveProgress | None, left: int) -> dict[str, Any]:
    a_frame, source = settings.storage.raw_bytes, "settings"
    if have is not None and have.pace.bytes_a_frame:
        a_frame, source = have.pace.bytes_a_frame, "archive"
    needed = left * a_frame
    return {
        "bytes_per_frame": a_frame,
        "bytes_per_frame_from": source,
        "bytes_left": needed,
        "bytes_free": have.free_bytes if have else None,
        "enough_room": None
        if have is None
        else have.free_bytes >= needed + settings.storage.spare_bytes,
    }
