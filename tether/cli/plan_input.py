"""What a person says of camera, lens and collection, read and checked for the plan."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmFormat
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
class Bench:
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


def bench(asked: Asked, usual_aperture: float) -> Bench:
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
    return Bench(
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
            f"{option} {value:g} makes no sense.",
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
            "do not belong together: the pixels would not be square.",
            todo="Give both with the same side first, and the sensor's size to a tenth of a mm.",
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
            todo="Write the largest one marked on the lens, such as 0.5 or 1:2; 0 for a lens "
            "that cannot be focused.",
        )
    return value
