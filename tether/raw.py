"""Raw files: opened through LibRaw into linear mosaics with their levels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.errors import TetherError
from tether.own_files import is_raw_positive
from tether.text import printable


@dataclass(frozen=True, slots=True)
class Mosaic:
    """The visible mosaic of a raw file with the levels that give it meaning.

    Attributes
    ----------
    data
        Raw values of the visible photosites, shape (height, width), uint16, black not subtracted.
    pattern
        Index of the CFA channel at each place of the repeating tile, shape (2, 2) for a Bayer
        sensor, (6, 6) for other mosaics, (1, 1) for a sensor without one; it starts at
        ``data[0, 0]``.
    channels
        Name of each channel index, for example ``("R", "G1", "B", "G2")``.
    black, saturation
        Level per channel index, in raw values; ``saturation`` is where the sensor stops
        (the lowest of what the file states per channel and as its white level).
    white_balance
        Multipliers as shot per channel index, green = 1; zeros where the file does not say.
    exposure_seconds, iso, f_number
        As the file's metadata say; None where they do not.
    flip
        LibRaw's orientation code of the file (0 none, 3 half a turn, 5 and 6 quarter turns).
    camera
        Maker and model as the file says ("" where it does not). Untrusted text.
    """

    data: NDArray[np.uint16]
    pattern: NDArray[np.intp]
    channels: tuple[str, ...]
    black: tuple[float, ...]
    saturation: tuple[float, ...]
    white_balance: tuple[float, ...] = ()
    exposure_seconds: float | None = None
    iso: float | None = None
    f_number: float | None = None
    flip: int = 0
    camera: str = ""

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) in photosites."""
        return (int(self.data.shape[0]), int(self.data.shape[1]))


LARGEST_SIDE = 65_000
"""Photosites along one side beyond which a file is refused (larger than any sensor made)."""


class RawUnreadable(TetherError):
    """The file is no raw file that can be measured; nothing was changed."""


def open_in_libraw(raw: Any, path: Path) -> None:
    """Open a file in a `rawpy.RawPy`, which takes names in UTF-8 only, whatever its name is.

    Raises
    ------
    rawpy.LibRawError
        As `rawpy.RawPy.open_file`.
    OSError
        When the file cannot be opened.
    """
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        with path.open("rb") as file:
            raw.open_file(f"/dev/fd/{file.fileno()}")
    else:
        raw.open_file(str(path))


def open_mosaic(path: Path) -> Mosaic:
    """Read the visible mosaic of a raw file and the levels that the file states.

    The saturation of a channel is the lowest level that the file states for it: the channel's
    own linear limit or the file's white level (LibRaw's ``linear_max`` and ``maximum``).
    The array is LibRaw's own memory, which lives as long as the array does; it is not copied.

    Raises
    ------
    RawUnreadable
        When LibRaw cannot open the file, the file holds no single mosaic (three full planes,
        for example), or what it states cannot be true.
    """
    import rawpy

    known = False
    try:
        raw = rawpy.RawPy()
        if not path.is_file():  # LibRaw would call it an image that is too big
            raise RawUnreadable(
                f"There is no file {printable(path.name)}.",
                todo="See whether it was moved, and whether its disk is attached.",
            )
        with path.open("rb") as file:  # so that the system says why not, where it does not allow it
            file.read(1)
        if is_raw_positive(path):
            raise RawUnreadable(
                f"{printable(path.name)} is a raw positive, made of a camera's raw file.",
                kept="The file was not changed.",
                todo="Name the camera's own file; its tag OriginalRawFileName says which.",
            )
        open_in_libraw(raw, path)
        known = True
        sizes = raw.sizes
        if max(sizes.raw_width, sizes.raw_height) > LARGEST_SIDE:
            raise RawUnreadable(f"{printable(path.name)} states a size that no sensor has.")
        raw.unpack()
        return _mosaic_of(raw, path)
    except rawpy.LibRawError as error:
        reason = error.args[0] if error.args else error
        if isinstance(reason, bytes):
            reason = reason.decode("ascii", "replace")
        wrong, todo = "cannot be read as a raw file", ""
        if not known:
            wrong = "is no raw file that LibRaw knows"
            if isinstance(error, rawpy.LibRawIOError):  # all that it says of a few bytes
                wrong += ", or the beginning of one"
            todo = "If a camera wrote it: "
        check = "compare it with the copy on the camera's card, or photograph the frame again."
        raise RawUnreadable(
            f"{printable(path.name)} {wrong} ({printable(str(reason), 80)}).",
            kept="The file was not changed.",
            todo=f"{todo}{check}" if todo else check.capitalize(),
        ) from error
    except (NotImplementedError, LookupError, ValueError, ArithmeticError) as error:
        # What rawpy raises where a file states what no camera does.
        raise RawUnreadable(
            f"{printable(path.name)} states a kind of mosaic that is not known here.",
            kept="The file was not changed.",
            todo="Compare it with the copy on the camera's card. If that is the same, set the "
            "camera to full-size raw.",
        ) from error
    except OSError as error:
        raise RawUnreadable(
            f"{printable(path.name)} cannot be opened ({error.strerror})."
        ) from error


def _mosaic_of(raw: Any, path: Path) -> Mosaic:
    import rawpy

    if raw.raw_type != rawpy.RawType.Flat or raw.raw_image is None:
        raise RawUnreadable(
            f"{printable(path.name)} holds no mosaic of single photosites.",
            kept="The file was not changed.",
            todo="Set the camera to full-size raw, not to a reduced or processed kind of it.",
        )
    data: NDArray[np.uint16] = raw.raw_image_visible
    if data.ndim != 2 or min(data.shape) < 16:
        raise RawUnreadable(f"{printable(path.name)} holds a picture too small to measure.")
    pattern = _pattern(raw)
    channels = _channels(raw, pattern)
    if set(pattern.ravel().tolist()) != set(range(len(channels))):
        raise LookupError("a colour without a photosite")
    black = tuple(float(v) for v in raw.black_level_per_channel)[: len(channels)]
    saturation = _saturation(raw, len(channels))
    if any(s <= b for s, b in zip(saturation, black, strict=True)):
        raise RawUnreadable(
            f"{printable(path.name)} states a black level that is not below its white level.",
            kept="The file was not changed.",
        )
    other = raw.other
    return Mosaic(
        data=data,
        pattern=pattern,
        channels=channels,
        black=black,
        saturation=saturation,
        white_balance=_white_balance(raw, channels),
        exposure_seconds=_positive(other.shutter_speed),
        iso=_positive(other.iso_speed),
        f_number=_positive(other.aperture),
        flip=int(raw.sizes.flip),
    )


def _pattern(raw: Any) -> NDArray[np.intp]:
    """Return the CFA's tile as it lies at the first visible photosite."""
    whole = raw.raw_pattern
    size = 1 if whole is None else whole.shape[0]
    if size == 1:
        return np.zeros((1, 1), np.intp)
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    tile = [[raw.raw_color(top + y, left + x) for x in range(size)] for y in range(size)]
    return np.asarray(tile, np.intp)


def _channels(raw: Any, pattern: NDArray[np.intp]) -> tuple[str, ...]:
    if pattern.size == 1:
        return ("Y",)
    letters = raw.color_desc.decode("ascii", "replace")[: int(pattern.max()) + 1]
    names = []
    for index, letter in enumerate(letters):
        alike = letters.count(letter)
        names.append(letter if alike == 1 else f"{letter}{letters[: index + 1].count(letter)}")
    return tuple(names)


def _saturation(raw: Any, count: int) -> tuple[float, ...]:
    white = float(raw.white_level)
    stated = raw.camera_white_level_per_channel or ()
    limits = [float(level) for level in stated][:count]
    limits += [0.0] * (count - len(limits))
    return tuple(min(level, white) if level > 0 else white for level in limits)


def _white_balance(raw: Any, channels: tuple[str, ...]) -> tuple[float, ...]:
    given = [float(v) for v in raw.camera_whitebalance][: len(channels)]
    green = next((i for i, name in enumerate(channels) if name.startswith("G")), None)
    if green is None or len(given) < len(channels) or not given[green] > 0:
        return (0.0,) * len(channels)
    scaled = [value / given[green] for value in given]
    return tuple(
        1.0 if value <= 0 and name.startswith("G") else max(value, 0.0)
        for value, name in zip(scaled, channels, strict=True)
    )


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) and number > 0 else None
