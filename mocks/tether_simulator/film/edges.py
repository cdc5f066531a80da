"""The edges of 135 film: perforations, bar code and frame numbers, drawn with soft borders.

The code is the latent-image edge print of ISO 1007. It repeats every half frame. Its clock track
lies toward the perforations and its data track along the edge of the film, below the picture seen
from the base side (ISO 897). The sequence is that of US patents 4965628 and 5448049; the tests read
it back with zxing-cpp. Sizes are those of a photograph of real film
(``tests/measure/edge_photographs.json``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

FloatArray = NDArray[np.float32]

#: The KS perforation of ISO 491: pitch 4.75 mm, 2.794 mm across the film by 1.981 mm along it,
#: corners of 0.5 mm, 2.01 mm from the film's edge.
PERFORATION_PITCH_MM = 4.75
PERFORATION_ACROSS_MM = 2.794
PERFORATION_ALONG_MM = 1.981
PERFORATION_CORNER_MM = 0.508
PERFORATION_EDGE_MM = 2.01


def perforations(u: FloatArray, v: FloatArray, film_width: float, pixel_mm: float) -> FloatArray:
    """Share of each pixel that is a hole.

    Parameters
    ----------
    u, v
        Places in millimetres along the film from a frame's middle, shape (w,), and across it
        from the film's middle, shape (h,). Each frame of 38 mm has its eight perforations
        symmetric about its middle.
    pixel_mm
        Size of a pixel.
    """
    along = np.abs((u % PERFORATION_PITCH_MM) - PERFORATION_PITCH_MM / 2)
    middle = film_width / 2 - PERFORATION_EDGE_MM - PERFORATION_ACROSS_MM / 2
    across = np.abs(np.abs(v) - middle)
    near = np.flatnonzero(across < PERFORATION_ACROSS_MM / 2 + pixel_mm)
    holes = np.zeros((v.size, u.size), np.float32)
    qx = along - (PERFORATION_ALONG_MM / 2 - PERFORATION_CORNER_MM)
    qy = across[near] - (PERFORATION_ACROSS_MM / 2 - PERFORATION_CORNER_MM)
    outside = np.hypot(np.maximum(qx, 0)[None, :], np.maximum(qy, 0)[:, None])
    inside = np.minimum(np.maximum(qx[None, :], qy[:, None]), 0)
    holes[near] = np.clip(0.5 - (outside + inside - PERFORATION_CORNER_MM) / pixel_mm, 0, 1)
    return holes


def interval(x: FloatArray, low: float, high: float, pixel: float) -> FloatArray:
    """Share of each pixel at ``x`` that lies between two borders."""
    part = np.minimum(x + pixel / 2, high) - np.maximum(x - pixel / 2, low)
    result: FloatArray = np.clip(part / pixel, 0, 1).astype(np.float32)
    return result


def add_box(
    plane: FloatArray,
    u: FloatArray,
    v: FloatArray,
    box: tuple[float, float, float, float],
    amount: float,
) -> None:
    """Add ``amount`` within a box (u0, v0, u1, v1) in millimetres, in place."""
    pixel = float(u[1] - u[0])
    along = interval(u, box[0], box[2], pixel)
    across = interval(v, box[1], box[3], pixel)
    columns, rows = np.flatnonzero(along), np.flatnonzero(across)
    if columns.size and rows.size:
        where = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        plane[where] += amount * (
            across[rows[0] : rows[-1] + 1, None] * along[None, columns[0] : columns[-1] + 1]
        )


MODULE_MM = 0.4525
#: From the code of a frame's number to that of the half frame after it; 18.4 mm to the next.
HALF_FRAME_MM = 19.6
#: Distance of the tracks from the edge of the film: data track, then clock track.
DATA_MM = (0.0, 1.0)
CLOCK_MM = (1.0, 2.0)


def film_edge_code(
    number: int, extract: int, frame: int, half: bool
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the clock track and the data track, 31 modules each, True where exposed.

    Parameters
    ----------
    number, extract
        The film's two numbers, 0..127 and 0..15.
    frame, half
        Frame number 0..63 and whether it is the half frame "A" after it.

    Raises
    ------
    ValueError
        When a number does not fit its field.
    """
    if not (0 <= number < 128 and 0 <= extract < 16 and 0 <= frame < 64):
        raise ValueError("the code holds 0..127, 0..15 and frame 0..63")
    payload = f"{number:07b}0{extract:04b}{frame:06b}{int(half)}0"
    parity = payload.count("1") % 2
    data = f"101010{payload}{parity}0101"
    clock = "11111" + "01" * 11 + "0" + "111"
    return _bits(clock), _bits(data)


def numeral(text: str, height_px: int) -> NDArray[np.float32]:
    """Draw a frame number, 1 where exposed, as an array of about that height."""
    font = ImageFont.load_default(size=max(6, height_px))
    left, top, right, bottom = (round(v) for v in font.getbbox(text))
    image = Image.new("L", (right - left + 2, bottom - top + 2))
    ImageDraw.Draw(image).text((1 - left, 1 - top), text, fill=255, font=font)
    return np.asarray(image, np.float32) / np.float32(255)


def _bits(text: str) -> NDArray[np.bool_]:
    return np.array([char == "1" for char in text])
