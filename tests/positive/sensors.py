"""Raw files of sensors that the simulated bench does not have: 6 x 6 mosaics, and none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray

BLACK, WHITE = 512, 16_200

#: A 6 x 6 tile as LibRaw's documentation prints it; 0, 1, 2 are red, green, blue.
SIX = np.array(
    [
        [1, 1, 0, 1, 1, 2],
        [1, 1, 2, 1, 1, 0],
        [2, 0, 1, 0, 2, 1],
        [1, 1, 2, 1, 1, 0],
        [1, 1, 0, 1, 1, 2],
        [0, 2, 1, 2, 0, 1],
    ]
)


def with_sensor(bayer: Path, path: Path, tile: NDArray[np.intp] | None) -> Path:
    """Write what a Bayer file shows as another sensor would have it; None has no colours.

    Written with tifffile, as DNG 1.4.
    """
    with rawpy.imread(str(bayer)) as raw:
        rgb = raw.postprocess(
            gamma=(1, 1), no_auto_bright=True, output_color=rawpy.ColorSpace.raw, output_bps=16,
            user_wb=[1.0, 1.0, 1.0, 1.0], user_flip=0, adjust_maximum_thr=0.0,
        ) / 65535  # fmt: skip
    height, width = rgb.shape[:2]
    if tile is None:
        light = rgb[..., 1]
    else:
        y, x = np.mgrid[:height, :width]
        light = np.take_along_axis(
            rgb, tile[y % tile.shape[0], x % tile.shape[1]][..., None], axis=2
        )[..., 0]
    data = np.round(BLACK + light * (WHITE - BLACK)).astype(np.uint16)
    tags: list[tuple[int, str | int, int, object, bool]] = [
        (274, "H", 1, 1, True),
        (50706, "B", 4, b"\x01\x04\x00\x00", True),
        (50708, "s", 0, "Other Sensor", True),
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
    ]
    if tile is not None:
        with tifffile.TiffFile(bayer) as file:
            matrix = file.pages.first.tags.valueof(50721)
            neutral = file.pages.first.tags.valueof(50728)
        tags += [
            (33421, "H", 2, tile.shape, True),
            (33422, "B", tile.size, bytes(tile.ravel().tolist()), True),
            (50721, "2i", 9, matrix, True),
            (50728, "2I", 3, neutral, True),
            (50778, "H", 1, 23, True),
        ]
    tifffile.imwrite(
        path,
        data,
        photometric=1 if tile is None else 32803,
        metadata=None,
        byteorder="<",
        subfiletype=0,
        extratags=tags,
    )
    if tile is None:  # tifffile writes no such picture of one colour
        with tifffile.TiffFile(path, mode="r+") as file:
            file.pages.first.tags[262].overwrite(34892)
    return path
