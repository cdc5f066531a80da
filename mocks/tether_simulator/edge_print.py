"""The latent-image edge print of 135 film: bar code and frame numbers (ISO 1007).

The code repeats every half frame. Its clock track lies toward the perforations and its data track
along the edge of the film, below the picture seen from the base side. The sequence is that of
US patents 4965628 and 5448049; the tests read it back with zxing-cpp. The length of one module
and the place across are from memory (about 13 mm for 31 modules, inside the 2 mm of the edge).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

MODULE_MM = 0.41
#: Distance of the tracks from the edge of the film: data track, then clock track.
DATA_MM = (0.25, 0.95)
CLOCK_MM = (0.95, 1.65)


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
