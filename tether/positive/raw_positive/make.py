"""Make a raw positive of one raw file, as a worker process does it."""

from __future__ import annotations

import contextlib
import math
import struct
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray

from tether.disk import replace_whole
from tether.measure.levels import with_observed_saturation
from tether.measure.light.flat import along_axis
from tether.measure.survey import Survey, survey
from tether.positive.exif import Labels
from tether.positive.files import eight_bit
from tether.positive.flat_field import FlatField, rows_of
from tether.positive.linear import Interpolated, tile_weights
from tether.positive.printing import is_grey, print_frame
from tether.positive.raw_positive.dng import (
    D65,
    PREVIEW,
    Form,
    RawPicture,
    neutral_matrix,
    write_dng,
)
from tether.positive.raw_positive.placing import (
    Crop,
    crop_around,
    gain_maps,
    headroom_for,
    orientation,
)
from tether.positive.raw_positive.tables import (
    TOP,
    OneTable,
    PrintLine,
    colour_of,
    computed,
    light_of_black,
    one_table,
    power_of_light,
    print_lines,
)
from tether.positive.rendering import Rendering
from tether.positive.sample import Triple
from tether.raw import Mosaic, RawUnreadable, open_in_libraw, open_mosaic
from tether.text import printable

_ROWS = 64
_SMALLEST = 1e-5
#: What reading the tags of a file from outside can end in.
_UNREADABLE = (
    tifffile.TiffFileError, OSError, ValueError, TypeError, KeyError, IndexError,
    struct.error, AttributeError, MemoryError, ZeroDivisionError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RawPositiveJob:
    """Make a raw positive of a raw file.

    ``form`` as in `Form`; ``headroom_ev`` are the stops above the print's white that it is to
    hold, ``room`` the share of the picture's width that the crop leaves around it.
    """

    path: Path
    rendering: Rendering
    flat: FlatField | None
    labels: Labels
    output: Path
    form: Form
    headroom_ev: float = 0.0
    room: float = 0.02


@dataclass(frozen=True, slots=True)
class RawPositive:
    """What was made: in words, what it holds and how exact it is."""

    words: str


def make_raw_positive(job: RawPositiveJob) -> RawPositive:
    """Do a `RawPositiveJob`; the file appears whole or not at all.

    Raises
    ------
    RawUnreadable, OSError
        When the raw file cannot be read, has no mosaic that a raw positive could be made of, or
        the file cannot be written.
    """
    mosaic = with_observed_saturation(open_mosaic(job.path))
    try:
        picture, words = raw_picture(job, mosaic)
    except ValueError as error:
        raise RawUnreadable(
            f"In {printable(job.path.name)} {error}.", kept="The raw file was not changed."
        ) from error
    preview = small_positive(mosaic, job.rendering, job.flat, picture.crop)
    labels = replace(job.labels, description=f"{job.labels.description} {words}")
    replace_whole(job.output, lambda part: write_dng(part, picture, labels, preview, job.path.name))
    return RawPositive(words)


def raw_picture(job: RawPositiveJob, mosaic: Mosaic) -> tuple[RawPicture, str]:
    """Return what a raw positive holds, and the words that say so.

    Raises
    ------
    ValueError
        When the mosaic is of other colours, or its base is at black.
    """
    negative = job.rendering.process.is_negative
    crop = crop_around(job.rendering.outline, mosaic.shape, job.room)
    if job.form is Form.DEMOSAICED and mosaic.pattern.size > 1:
        picture, words = _demosaiced(job, mosaic, crop)
    elif not negative:
        picture, words = _transparency(job, mosaic, crop)
    elif job.form is Form.CAMERA:
        picture, words = _by_table(job, mosaic, crop)
    else:
        picture, words = _by_channel(job, mosaic, crop)
    return replace(
        picture, orientation=orientation(job.rendering.turn, mirrored=job.rendering.mirrored)
    ), words


def _by_table(job: RawPositiveJob, mosaic: Mosaic, crop: Crop) -> tuple[RawPicture, str]:
    lines = print_lines(job.rendering, mosaic)
    gains, headroom = None, 2**job.headroom_ev
    if job.flat is not None:
        gamma = one_table(lines, mosaic).gamma
        gains = power_of_light(job.flat.grid, [gamma] * 3)
        headroom *= headroom_for(gains, crop, mosaic.shape)
    made = one_table(lines, mosaic, headroom)
    tile = colour_tile(mosaic)
    black = TOP * light_of_black(job.rendering) / headroom
    picture = RawPicture(
        values=mosaic.data,
        tile=tile if mosaic.pattern.size > 1 else None,
        form=Form.CAMERA,
        crop=crop,
        orientation=1,
        neutral=made.neutral,
        table=made.table,
        black=tuple(black * made.neutral[colour] for colour in tile.ravel()),
        opcodes=gain_maps(gains, tile, mosaic.shape) if gains is not None else b"",
        exposure=math.log2(headroom),
        matrices=[(D65, neutral_matrix(made.neutral))],
    )
    return picture, table_words(made)


def table_words(made: OneTable) -> str:
    """Say what a table does, and how exactly."""
    words = [
        f"The camera's values, with a table of gamma {made.gamma:.2f}.",
        f"From density {made.exact_from:.2f} above base it rounds by under a quarter of a value.",
        f"At base it rounds by {made.rounding_at_base:.1f} values.",
    ]
    if made.black_off >= 0.05:
        words.append(
            f"Its black is {made.black:.1f}, and a channel's own up to {made.black_off:.1f} off."
        )
    if made.gamma_off >= 0.005:
        stops = made.gamma_off * 0.5 / math.log10(2)
        words.append(
            f"A channel's own gamma is up to {made.gamma_off:.2f} off: {stops:.1f} stops, "
            "half a density from mid-grey."
        )
    return " ".join(words)


def _by_channel(job: RawPositiveJob, mosaic: Mosaic, crop: Crop) -> tuple[RawPicture, str]:
    lines = print_lines(job.rendering, mosaic)
    headroom = 2**job.headroom_ev
    values = computed(mosaic, lines, _power(job, lines), headroom)
    picture = RawPicture(
        values=values,
        tile=colour_tile(mosaic) if mosaic.pattern.size > 1 else None,
        form=Form.COMPUTED,
        crop=crop,
        orientation=1,
        black=(TOP * light_of_black(job.rendering) / headroom,),
        exposure=job.headroom_ev,
        matrices=[(D65, neutral_matrix((1.0, 1.0, 1.0)))],
    )
    return picture, f"Values of the positive, computed for each photosite{_gammas(lines)}"


def _gammas(lines: dict[str, PrintLine]) -> str:
    by_colour = {name[0]: line.gamma for name, line in lines.items()}
    return f" with a gamma of {', '.join(f'{n} {gamma:.2f}' for n, gamma in by_colour.items())}."


def _power(job: RawPositiveJob, lines: dict[str, PrintLine]) -> NDArray[np.float32] | None:
    if job.flat is None:
        return None
    gammas = [1.0, 1.0, 1.0]
    for name, line in lines.items():
        gammas[colour_of(name)] = line.gamma
    return power_of_light(job.flat.grid, gammas)


def _transparency(job: RawPositiveJob, mosaic: Mosaic, crop: Crop) -> tuple[RawPicture, str]:
    neutral, white = white_of(job.rendering, mosaic)
    tile = colour_tile(mosaic)
    opcodes = b""
    if job.flat is not None:
        opcodes = gain_maps(power_of_light(job.flat.grid, [-1.0] * 3), tile, mosaic.shape)
    black = tuple(float(mosaic.black[i]) for i in mosaic.pattern.ravel())
    stops = job.rendering.shift / math.log10(2)
    wanted = white * 2 ** (job.headroom_ev - stops)
    top = round(min(wanted + sum(black) / len(black), *mosaic.saturation))
    picture = RawPicture(
        values=mosaic.data,
        tile=tile if mosaic.pattern.size > 1 else None,
        form=Form.CAMERA,
        crop=crop,
        orientation=1,
        neutral=neutral,
        black=black,
        white=top,
        opcodes=opcodes,
        exposure=math.log2((top - sum(black) / len(black)) / white) + stops,
        matrices=camera_matrices(job.path) or [(D65, neutral_matrix(neutral))],
    )
    return picture, "The camera's values."


def white_of(rendering: Rendering, mosaic: Mosaic) -> tuple[Triple, float]:
    """Return the neutral of a transparency's lamp, and its white in raw values above black.

    The neutral's strongest colour is 1, and the white is that colour's.
    """
    found: list[list[float]] = [[], [], []]
    for index, name in enumerate(mosaic.channels):
        colour = colour_of(name)
        span = mosaic.saturation[index] - mosaic.black[index]
        found[colour].append(rendering.base[colour] * span)
    means = [sum(f) / len(f) for f in found if f]
    top = max(means)
    if not min(means) >= 1:
        raise ValueError("the white is at black")
    r, g, b = (sum(f) / len(f) / top if f else 1.0 for f in found)
    return (r, g, b), top


def _demosaiced(job: RawPositiveJob, mosaic: Mosaic, crop: Crop) -> tuple[RawPicture, str]:
    rendering = job.rendering
    if {colour_of(name) for name in mosaic.channels} != {0, 1, 2}:
        raise ValueError("the mosaic does not hold red, green and blue")
    linear = Interpolated(job.path, mosaic, grey=False)
    if rendering.process.is_negative:
        lines = print_lines(rendering, mosaic)
        of = [next(lines[n] for n in lines if colour_of(n) == colour) for colour in range(3)]
        power = [-line.gamma for line in of]
        scale = [
            line.at_base * base**line.gamma / 2**job.headroom_ev
            for line, base in zip(of, rendering.base, strict=True)
        ]
        picture = RawPicture(
            _raised(linear, power, scale, job.flat),
            None,
            Form.DEMOSAICED,
            crop,
            1,
            black=(TOP * light_of_black(rendering) / 2**job.headroom_ev,),
            exposure=job.headroom_ev,
            matrices=[(D65, neutral_matrix((1.0, 1.0, 1.0)))],
        )
        words = f"Values of the positive, all three colours in each place,{_gammas(lines)}"
        return picture, words
    white_of(rendering, mosaic)  # refuses one at black
    white = max(rendering.base)
    r, g, b = (value / white for value in rendering.base)
    # What is lighter than the sensor can show stays at its end, and so does the scale.
    top = min(1.0, white * 2 ** (job.headroom_ev - rendering.shift / math.log10(2)))
    picture = RawPicture(
        _raised(linear, [1.0] * 3, [1 / top] * 3, job.flat),
        None,
        Form.DEMOSAICED,
        crop,
        1,
        neutral=(r, g, b),
        exposure=math.log2(top / white) + rendering.shift / math.log10(2),
        matrices=camera_matrices(job.path) or [(D65, neutral_matrix((r, g, b)))],
    )
    return picture, "The camera's values, interpolated."


def _raised(
    linear: Interpolated, power: list[float], scale: list[float], flat: FlatField | None
) -> NDArray[np.uint16]:
    """Return ``scale * signal ** power``, each colour evened out, as 16-bit numbers."""
    height, width = linear.shape
    out = np.empty((height, width, 3), np.uint16)
    even = along_axis(power_of_light(flat.grid, [-p for p in power]), 2, width) if flat else None
    for top in range(0, height, _ROWS):
        bottom = min(top + _ROWS, height)
        x = np.maximum(linear.band(slice(top, bottom), slice(0, width)), _SMALLEST)
        gains = rows_of(even, top, bottom, height) if even is not None else None
        for colour in range(3):
            light = x[colour] ** np.float32(power[colour]) * np.float32(TOP * scale[colour])
            if gains is not None:
                light *= gains[colour]
            out[top:bottom, :, colour] = np.minimum(light, TOP) + np.float32(0.5)
    return out


def colour_tile(mosaic: Mosaic) -> NDArray[np.intp]:
    """Return the mosaic's tile with 0, 1 or 2 for red, green (or grey) or blue.

    Raises
    ------
    ValueError
        When a channel is of another colour.
    """
    colours = np.array([colour_of(name) for name in mosaic.channels], np.intp)
    return colours[mosaic.pattern]


def camera_matrices(path: Path) -> list[tuple[int, tuple[float, ...]]]:
    """Return what is known of the camera's colours, as ``RawPicture.matrices``.

    As the file states them where it is a DNG, else LibRaw's own, which is of D65; empty where
    neither knows any.
    """
    found = []
    with contextlib.suppress(*_UNREADABLE), tifffile.TiffFile(path) as file:
        tags = file.pages.first.tags
        for number in (0, 1):
            illuminant, matrix = tags.valueof(50778 + number), tags.valueof(50721 + number)
            if illuminant and matrix is not None and len(matrix) == 18:
                values = [n / d for n, d in zip(matrix[::2], matrix[1::2], strict=True)]
                found.append((int(illuminant), tuple(map(float, values))))
    if not found:
        with contextlib.suppress(rawpy.LibRawError), rawpy.RawPy() as raw:
            open_in_libraw(raw, path)
            values = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3].ravel().tolist()
            found = [(D65, tuple(values))] if any(values) else []
    return found


class _Small:
    """A survey of a mosaic as a linear picture that can be printed."""

    def __init__(self, small: Survey, mosaic: Mosaic, grey: bool) -> None:
        self.planes = 1 if grey or mosaic.pattern.size == 1 else 3
        self.shape, self.step = small.shape, small.step
        planes = [small.colour(letter) for letter in "RGB"]
        rgb = np.stack([small.main if plane is None else plane for plane in planes])
        weights = np.asarray(tile_weights(mosaic), np.float32)[:, None, None]
        self._rgb = rgb if self.planes == 3 else (rgb * weights).sum(axis=0, keepdims=True)

    def band(self, rows: slice, columns: slice) -> NDArray[np.float32]:
        """Return a part; see `tether.positive.linear.Linear`."""
        return np.array(self._rgb[:, rows, columns], np.float32)


def small_positive(
    mosaic: Mosaic, rendering: Rendering, flat: FlatField | None, crop: Crop
) -> NDArray[np.uint8]:
    """Return the positive in small as it lies on the sensor, shape (h, w, 3), sRGB."""
    small = _Small(survey(mosaic, 2 * PREVIEW), mosaic, is_grey(rendering))
    lying = replace(rendering, outline=None, turn=0, mirrored=False)
    whole = eight_bit(print_frame(small, lying, tile_weights(mosaic), flat))
    step = small.step
    part = whole[
        crop.top // step : -(-(crop.top + crop.height) // step),
        crop.left // step : -(-(crop.left + crop.width) // step),
    ]
    return part if part.ndim == 3 else np.repeat(part[..., None], 3, axis=2)
