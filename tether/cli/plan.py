"""The plan in words: a table of 80 columns, each number with its unit."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from tether.measure.optics import FADGI_STARS, NARA_LONG_SIDE
from tether.text import megabytes, percent, plural

WIDTH = 80
LABEL = 36

LIMITS = {
    "pixels": "The pixels set the limit: the Airy disc is less than two pixels wide.",
    "both": "Pixels and diffraction share the limit: the finest detail has less contrast. "
    "A wider aperture gives more, as long as the lens stays sharp to the corners.",
    "diffraction": "Diffraction sets the limit: no detail is as fine as the pixels. Open the lens "
    "to the balance above, or wider.",
}


def plan_text(found: dict[str, Any]) -> str:
    """Return a plan as text for a terminal, no line longer than 80 characters."""
    parts = (_frame, _lens, _aperture, _diffraction, _depth, _resolution, _collection)
    texts = ("\n".join(part(found)) for part in parts)
    return "\n\n".join(text for text in texts if text)


def _frame(found: dict[str, Any]) -> Iterator[str]:
    picture, sensor = _by(found["picture_mm"], "mm"), _by(found["sensor_mm"], "mm")
    yield f"Film {found['format']}, picture {picture}, on a sensor of {sensor}"
    m = found["magnification"]
    yield _row("Magnification that fills it", f"{m:.2f} ({_ratio(m)})")
    yield _row("Rebate in view on each side", f"{found['rebate_mm']:g} mm")
    yield _row("Sensor taken by the picture", f"{percent(found['sensor_share'])} of its area")


def _lens(found: dict[str, Any]) -> Iterator[str]:
    lens = found["lens"]
    yield "Lens"
    if lens is None:
        yield from _say("Give --focal and --closest to see which spacer it needs.")
        return
    closest, focal = lens["closest"], lens["focal_mm"]
    if closest is not None:
        yield _row("Focuses without a spacer up to", f"{closest:g} ({_ratio(closest)})")
    if focal is not None:
        yield _row("Focal length", f"{focal:g} mm")
        yield _row("Extension from infinity focus", f"{lens['extension_mm']:.1f} mm")
        if lens["spacer_mm"]:
            yield _row("Spacer needed, at least", f"{lens['spacer_mm']:.1f} mm")
        yield _row("Film to sensor, about", f"{lens['film_to_sensor_mm']:.0f} mm")
    if lens["reaches"]:
        yield from _say("The lens reaches this magnification without a spacer.")
    elif lens["reaches"] is False and focal is None:
        yield from _say("The lens needs a spacer. Give --focal to see how long.")
    if lens["spacer_mm"]:
        yield from _say(
            "A longer spacer also works, up to the whole extension: focus farther away. "
            "Lenses that focus with inner groups need less. Try it."
        )


def _aperture(found: dict[str, Any]) -> Iterator[str]:
    a = found["aperture"]
    yield "Aperture"
    yield _row("Marked on the lens", f"f/{a['marked']:g}, pupil ratio {a['pupil_ratio']:g}")
    yield _row("Working aperture", f"f/{a['working']:.1f}")
    yield _row("Light lost against infinity focus", f"{a['light_lost_ev']:.1f} stops")


def _diffraction(found: dict[str, Any]) -> Iterator[str]:
    d = found["diffraction"]
    if d is None:
        yield "Diffraction, depth of field, resolution"
        yield from _say(
            "Give --pixels WIDTHxHEIGHT, or megapixels, to compare them with the pixels."
        )
        return
    yield f"Diffraction, in light of {d['wavelength_nm']:g} nm"
    yield _row("Pixel pitch", f"{d['pitch_um']:.2f} µm")
    yield _row("Airy disc", f"{d['airy_um']:.1f} µm, {d['airy_pixels']:.1f} pixels wide")
    yield _row("Optical cut-off", f"{d['cutoff_lp_mm']:.0f} line pairs per mm on the sensor")
    yield _row("Sensor's finest (Nyquist)", f"{d['nyquist_lp_mm']:.0f} line pairs per mm")
    yield _row("Contrast left, lines 1 pixel wide", f"{percent(d['contrast_one_pixel'])} at best")
    yield _row("Contrast left, lines 2 pixels wide", f"{percent(d['contrast_two_pixels'])} at best")
    yield _row("Airy disc two pixels wide at", f"f/{d['begins_marked']:.1f} marked")
    yield _row("Cut-off and pixels balance at", f"f/{d['balance_marked']:.1f} marked")
    yield from _say(LIMITS[d["limit"]])


def _depth(found: dict[str, Any]) -> Iterator[str]:
    d = found["depth"]
    if d is None:
        return
    yield "Depth of field at the film"
    yield _row("Blur that counts as sharp", f"{d['blur_um']:.1f} µm, {d['blur_pixels']:g} pixels")
    yield _row("Depth, nearest to farthest", f"{d['depth_mm']:.2f} mm")
    yield _row("Film curl assumed", f"{d['curl_mm']:g} mm, edge to middle")
    if d["covers_curl_marked"] is not None:
        yield _row("Depth covers that curl from", f"f/{d['covers_curl_marked']:.1f} marked")
    yield from _say(
        f"{_curl(d, found['diffraction']['balance_marked'])} {d['curl_mm']:g} mm of curl "
        "is an assumption; measure your film."
    )


def _curl(depth: dict[str, Any], balance: float) -> str:
    if depth["depth_mm"] >= depth["curl_mm"]:
        return "The depth covers the curl if you focus half way."
    if depth["covers_curl_marked"] <= balance:
        return "The depth does not cover the curl: stop down, or flatten the film."
    return (
        "The depth does not cover the curl, and stopping down that far costs the finest detail. "
        "Flatten the film."
    )


def _resolution(found: dict[str, Any]) -> Iterator[str]:
    r = found["resolution"]
    if r is None:
        return
    yield "Resolution on film"
    yield _row("Sampling frequency", f"{r['pixels_per_inch']:.0f} pixels per inch of film")
    across, down = r["picture_pixels"]
    millions = across * down / 1e6
    yield _row("Picture", f"{across} x {down} pixels, {millions:.1f} megapixels")
    yield _row(
        "Finest detail in pixels", f"{r['finest_on_film_lp_mm']:.0f} line pairs per mm of film"
    )
    if max(across, down) < NARA_LONG_SIDE:
        reached = f"under the {NARA_LONG_SIDE} pixels"
    else:
        reached = f"reaches the {NARA_LONG_SIDE} pixels"
    yield _row("Longer side", f"{reached} of NARA's product SPF-P1")
    yield _row("FADGI sampling frequency for film", _stars(r["fadgi_stars"]))
    if r["without_spacer_pixels_per_inch"] is not None:
        without = f"{r['without_spacer_pixels_per_inch']:.0f} pixels per inch"
        yield _row("Without a spacer", f"{without}, {_stars(r['without_spacer_fadgi_stars'])}")
    levels = ", ".join(f"{n} from {least}" for n, least in FADGI_STARS.items())
    yield from _say(
        f"Stars by pixels per inch: {levels} (FADGI Technical Guidelines 2016, film up to 4 x 5 "
        "inches). Not checked against the source or the edition of 2023. A level also asks for "
        "measured sharpness, tone and colour. ISO 19264-1 (reflective originals) and "
        "Metamorfoze (paper) have no level for film."
    )


def _collection(found: dict[str, Any]) -> Iterator[str]:
    c = found["collection"]
    yield "Collection"
    if c is None:
        yield from _say("Give --rolls or --archive to see how much work is left.")
        return
    whole = "in all" if c["rolls_from"] == "given" else "begun so far"
    yield _row("Rolls", f"{c['rolls']} {whole}, {c['rolls_left']} not finished")
    source = {"usual": "as film is sold", "given": "as you said", "archive": "as in the archive"}
    yield _row(
        "Frames per roll", f"{c['frames_per_roll']:.3g}, {source[c['frames_per_roll_from']]}"
    )
    yield _row("Frames", f"{c['frames_done']} done, {c['frames_left']} left")
    if c["rolls_from"] == "archive":
        yield from _say("Give --rolls to count rolls that are not begun yet.")
    yield from _hours(c)
    yield from _room(c)


def _hours(c: dict[str, Any]) -> Iterator[str]:
    seconds = c["seconds_per_frame"]
    if seconds is None:
        yield _row("Time", "not known yet")
        yield from _say(
            "Give --seconds-per-frame, or --archive with an archive that has some frames."
        )
        return
    yield _row("Time per frame", f"{_short(seconds)} s, {_timed(c)}")
    days = f"{_short(c['days_left'])} days of {c['day_hours']:g} hours"
    yield _row("Time left", f"{_short(c['hours_left'])} hours, or {days}")
    if c["seconds_per_frame_from"] == "archive":
        yield from _say(
            "Includes retakes and changes of strip and roll, not pauses of more than "
            f"{c['pause_minutes']:g} minutes."
        )


def _timed(c: dict[str, Any]) -> str:
    if c["seconds_per_frame_from"] == "given":
        return "as you said"
    return f"measured here over {plural(c['frames_timed'], 'frame')}"


def _room(c: dict[str, Any]) -> Iterator[str]:
    source = {"archive": "measured here, retakes included", "settings": "assumed"}
    size = f"{megabytes(c['bytes_per_frame'])}, {source[c['bytes_per_frame_from']]}"
    yield _row("Disk space per frame", size)
    yield _row("Disk space needed", f"{megabytes(c['bytes_left'])} for raw files")
    if c["bytes_free"] is not None:
        yield _row("Free on the archive's disk", megabytes(c["bytes_free"]))
        if not c["enough_room"]:
            yield from _say("The disk is too small for the frames that are left.")
    yield from _say("A copy folder needs the same again. Positives need more.")


def _row(label: str, value: str) -> str:
    head = f"  {label:<{LABEL}} "
    return textwrap.fill(value, WIDTH, initial_indent=head, subsequent_indent=" " * len(head))


def _say(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ")


def _by(sides: list[float], unit: str) -> str:
    return f"{sides[0]:g} x {sides[1]:g} {unit}"


def _ratio(m: float) -> str:
    if not m:
        return "not at all"
    return f"{m:.3g}:1" if m > 1 else f"1:{1 / m:.3g}"


def _stars(count: int | None) -> str:
    if count is None:
        return "no level for more than 5 inches"
    return plural(count, "star") if count else "below one star"


def _short(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"
