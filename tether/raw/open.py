"""Opening a raw file through LibRaw."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tether.errors import TetherError
from tether.raw.mosaic import Mosaic
from tether.text import printable


class RawUnreadable(TetherError):
    """A file is not a raw file that LibRaw can open."""


def open_mosaic(path: Path) -> Mosaic:
    """Read the visible mosaic of a raw file with its levels.

    The saturation level per channel is the lowest of what the file states: its white level, and
    its level per channel where it has one (LibRaw's ``maximum`` and ``linear_max``).

    Raises
    ------
    RawUnreadable
        When LibRaw cannot open it, or it holds no mosaic (a JPEG, a linear or layered picture).
    """
    import rawpy

    try:
        with rawpy.imread(str(path)) as raw:
            if raw.raw_type != rawpy.RawType.Flat:
                raise RawUnreadable(
                    f"{printable(path.name)} holds a layered picture and no mosaic.",
                    kept="The file is untouched.",
                    todo="Set the camera to its full raw format.",
                )
            return _mosaic(raw)
    except (rawpy.LibRawError, OSError, ValueError) as error:
        reason = error.args[0] if error.args else error
        if isinstance(reason, bytes):
            reason = reason.decode("ascii", "replace")
        raise RawUnreadable(
            f"{printable(path.name)} cannot be read as a raw file ({printable(str(reason), 80)}).",
            kept="The file is untouched.",
            todo="Shoot the frame again, with the camera set to raw.",
        ) from error


def _mosaic(raw: Any) -> Mosaic:
    pattern = np.array(raw.raw_pattern, dtype=np.intp)
    names = _channel_names(raw.color_desc.decode("ascii", "replace"), pattern)
    count = len(names)
    black = [float(b) for b in list(raw.black_level_per_channel)[:count]]
    stated = [float(raw.white_level)] * count
    per_channel = raw.camera_white_level_per_channel
    for i, level in enumerate(list(per_channel or [])[:count]):
        if black[i] < level < stated[i]:
            stated[i] = float(level)
    balance = np.array(list(raw.camera_whitebalance)[:count], dtype=float)
    green = balance[min(1, count - 1)]
    if count == 4 and balance[3] == 0:
        balance[3] = green
    other = raw.other
    return Mosaic(
        data=np.array(raw.raw_image_visible, dtype=np.uint16),
        pattern=pattern,
        channels=names,
        black=tuple(black),
        saturation=tuple(stated),
        white_balance=tuple((balance / green).tolist()) if green > 0 else (0.0,) * count,
        exposure_seconds=_positive(other.shutter_speed),
        iso=_positive(other.iso_speed),
        f_number=_positive(other.aperture),
        flip=int(raw.sizes.flip),
    )


def _positive(value: float) -> float | None:
    return float(value) if value and value > 0 and np.isfinite(value) else None


def _channel_names(description: str, pattern: Any) -> tuple[str, ...]:
    """Name the channels; the two greens of a Bayer sensor are told apart as G1 and G2."""
    used = int(pattern.max()) + 1
    letters: Sequence[str] = list(description[:used].ljust(used, "?"))
    if letters.count("G") < 2:
        return tuple(letters)
    names, greens = [], 0
    for letter in letters:
        greens += letter == "G"
        names.append(f"G{greens}" if letter == "G" else letter)
    return tuple(names)
