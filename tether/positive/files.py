"""Write positives: JPEG and 16-bit TIFF, each with its colour profile and its facts."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tether.positive.exif import SOFTWARE, ShotFacts, exif_bytes, tiff_tags
from tether.positive.profile import colour_profile, grey_profile

XMP_TAG = 700
"""The TIFF tag that holds an XMP packet (ISO 16684-1; Adobe XMP part 3)."""


def write_jpeg(
    picture: NDArray[np.uint16],
    path: Path,
    *,
    quality: int,
    facts: ShotFacts,
    description: str,
    xmp: bytes = b"",
) -> None:
    """Write an 8-bit JPEG, sRGB or grey with sRGB's tone curve; an older file is replaced whole."""
    from PIL import Image

    image = Image.fromarray(eight_bit(picture))
    profile = grey_profile() if picture.ndim == 2 else colour_profile()

    def write(part: Path) -> None:
        image.save(
            part,
            "JPEG",
            quality=quality,
            subsampling=0 if quality >= 90 else 2,
            icc_profile=profile,
            exif=exif_bytes(facts, description, image.size),
            xmp=xmp,
        )

    replaced(path, write)


def write_tiff(
    picture: NDArray[np.uint16],
    path: Path,
    *,
    facts: ShotFacts,
    description: str,
    xmp: bytes = b"",
) -> None:
    """Write an uncompressed 16-bit TIFF 6.0 with the same values and profile as the JPEG.

    The shot's facts are in its XMP packet; maker, model and date in the main directory as well.
    """
    import tifffile

    grey = picture.ndim == 2
    extra: list[tuple[int, str | int, int, object, bool]] = [(274, "H", 1, 1, True)]
    extra += tiff_tags(facts)
    if xmp:
        extra.append((XMP_TAG, 1, len(xmp), xmp, True))

    def write(part: Path) -> None:
        tifffile.imwrite(
            part,
            picture,
            photometric="minisblack" if grey else "rgb",
            compression=None,
            metadata=None,
            software=SOFTWARE,
            description=description.encode("ascii", "replace").decode("ascii"),
            iccprofile=grey_profile() if grey else colour_profile(),
            extratags=extra,
        )

    replaced(path, write)


def eight_bit(picture: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return 16-bit values rounded to 8 bits."""
    out = np.empty(picture.shape, np.uint8)
    for top in range(0, picture.shape[0], 64):
        part = picture[top : top + 64]
        # (v * 255 + 32768) / 65536 with whole numbers, in cache.
        out[top : top + 64] = (part.astype(np.uint32) * 255 + 32768) >> 16
    return out


def replaced(path: Path, write: Callable[[Path], None]) -> None:
    """Write beside the final name and rename: a reader sees a whole file or the old one."""
    part = path.with_name(f".new-{os.getpid()}-{path.name}")
    try:
        write(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
