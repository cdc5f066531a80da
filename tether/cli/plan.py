"""The plan of a bench and of a collection, as values; its words are in `plan_words`.

The keys and their units are documented in docs/json.md.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.records import LONGEST_ROLL
from tether.cli.plan_input import Asked, Bench, PlanError, bench, collection
from tether.measure import optics
from tether.reports.pace import ArchiveProgress, archive_progress
from tether.settings import PlanningSettings, Settings

#: Sampling frequency of film of 35 mm up to 4 x 5 inches by stars, pixels per inch: FADGI,
#: Technical Guidelines for Digitizing Cultural Heritage Materials (from memory: the table could
#: not be looked up).
FADGI_STARS = {4: 4000, 3: 3000, 2: 2000, 1: 1000}

#: A roll of 135 film as it is sold (common practice, no published source).
USUAL_FRAMES = 36


def plan(asked: Asked, settings: Settings, archive: Path | None = None) -> dict[str, Any]:
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
    it = bench(asked, settings.bench.aperture)
    picture = (it.film.picture_along, it.film.picture_across)
    m = optics.filling_magnification(picture, it.sensor, taken.rebate_mm)
    share = m**2 * picture[0] * picture[1] / (it.sensor[0] * it.sensor[1])
    return {
        "format": it.film.key,
        "picture_mm": list(picture),
        "sensor_mm": list(it.sensor),
        "pixels": None if it.pixels is None else list(it.pixels),
        "magnification": m,
        "rebate_mm": taken.rebate_mm,
        "sensor_share": share,
        "lens": _lens(it, m),
        "aperture": {
            "marked": it.aperture,
            "pupil_ratio": it.pupil_ratio,
            "working": optics.working_aperture(it.aperture, m, it.pupil_ratio),
            "light_lost_ev": optics.light_lost_ev(m, it.pupil_ratio),
        },
        "diffraction": _diffraction(it, m, taken),
        "depth": _depth(it, m, taken),
        "resolution": _resolution(it, m),
        "collection": _collection(asked, settings, archive),
    }


def _lens(it: Bench, m: float) -> dict[str, Any] | None:
    if it.focal is None and it.closest is None:
        return None
    reaches = None if it.closest is None else it.closest >= m
    f = it.focal
    return {
        "focal_mm": f,
        "closest": it.closest,
        "reaches": reaches,
        "extension_mm": None if f is None else optics.extension(f, m),
        "spacer_mm": None if f is None or it.closest is None else optics.spacer(f, m, it.closest),
        "film_to_sensor_mm": None
        if f is None
        else optics.object_distance(f, m) + optics.image_distance(f, m),
    }


def _diffraction(it: Bench, m: float, taken: PlanningSettings) -> dict[str, Any] | None:
    pitch = it.pitch_um
    if pitch is None:
        return None
    wave = taken.wavelength_nm / 1000
    p = it.pupil_ratio
    working = optics.working_aperture(it.aperture, m, p)
    airy, finest = optics.airy_diameter_um(working, wave), optics.nyquist(pitch)
    begins = optics.marked_aperture(optics.airy_covers(2.0, pitch, wave), m, p)
    balance = optics.marked_aperture(optics.cutoff_meets_nyquist(pitch, wave), m, p)
    limit = "both"
    if it.aperture <= begins:
        limit = "pixels"
    elif it.aperture >= balance:
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


def _depth(it: Bench, m: float, taken: PlanningSettings) -> dict[str, Any] | None:
    if it.pitch_um is None:
        return None
    blur = taken.blur_pixels * it.pitch_um / 1000
    curl = taken.curl_mm
    return {
        "blur_um": 1000 * blur,
        "blur_pixels": taken.blur_pixels,
        "depth_mm": optics.depth_at_film(it.aperture, m, blur, it.pupil_ratio),
        "curl_mm": curl,
        "covers_curl_marked": optics.aperture_for_depth(curl, m, blur, it.pupil_ratio)
        if curl
        else None,
    }


def _resolution(it: Bench, m: float) -> dict[str, Any] | None:
    pitch = it.pitch_um
    if pitch is None:
        return None
    ppi = optics.pixels_per_inch(m, pitch)
    shown = [round(side * m * 1000 / pitch) for side in (it.film.picture_along,
                                                         it.film.picture_across)]  # fmt: skip
    unaided = None
    if it.closest is not None and 0 < it.closest < m:
        unaided = optics.pixels_per_inch(it.closest, pitch)
    return {
        "pixels_per_inch": ppi,
        "picture_pixels": shown,
        "finest_on_film_lp_mm": optics.nyquist(pitch) * m,
        "fadgi_stars": stars(ppi),
        "without_spacer_pixels_per_inch": unaided,
        "without_spacer_fadgi_stars": None if unaided is None else stars(unaided),
    }


def stars(ppi: float) -> int:
    """Return the most stars whose sampling frequency is reached, 0 for none; see `FADGI_STARS`."""
    return max((n for n, least in FADGI_STARS.items() if ppi >= least), default=0)


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
            f"--rolls {rolls} is fewer than the {rolls_here} rolls that the archive holds already.",
            todo="Give the number of rolls in the whole collection, those in the archive included.",
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
