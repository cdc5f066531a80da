"""Real photographs as pictures, from packages that are installed for the benchmark alone.

Nothing of them is copied into the repository. Debian's ``mate-backgrounds`` and
``plasma-workspace-wallpapers`` (GPL-2 or later), ``lomiri-wallpapers-16.04`` (CC BY 4.0, CC BY-SA
4.0, CC0), and the sample data of ``scikit-image`` (public domain or CC0, as its documentation
lists). Chosen by hand: no people, no marks, and no stars (on a negative their frame has no edge).
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path

import numpy as np
import skimage
from numpy.typing import NDArray
from PIL import Image, ImageOps

PACKAGES = ("mate-backgrounds", "plasma-workspace-wallpapers", "lomiri-wallpapers-16.04")
_NATURE = (
    "Aqua", "Blinds", "Dune", "FreshFlower", "Garden", "GreenMeadow", "LadyBird", "RainDrops",
    "Storm", "TwoWings", "Wood", "YellowFlower",
)  # fmt: skip
_PLASMA = (
    "BytheWater", "ColdRipple", "ColorfulCups", "DarkestHour", "EveningGlow", "FallenLeaf", "Grey",
    "Kite", "OneStandsOut", "Path", "summer_1am",
)  # fmt: skip
_LOMIRI = (
    "Bridge", "Dragonfly", "Picture_0B", "Picture_1A", "aitzgorri", "free", "friends", "life",
    "picosdeeuropa", "seeding", "sunset",
)  # fmt: skip
_SAMPLES = (
    "brick.png", "chelsea.png", "coffee.png", "coins.png", "grass.png", "gravel.png", "moon.png",
)  # fmt: skip
_LONGEST = 2400
_KEPT = 48


def find_photographs(root: Path | None = None) -> list[Path]:
    """Return the photographs, always in the same order.

    Parameters
    ----------
    root
        Where Debian's packages were unpacked; None takes ``VARIED_PICTURES``, or else ``/``.

    Raises
    ------
    SystemExit
        Where a package is missing.
    """
    root = root or Path(os.environ.get("VARIED_PICTURES", "/"))
    share = root / "usr/share"
    wanted = [share / "backgrounds/mate/nature" / f"{name}.jpg" for name in _NATURE]
    wanted += [share / "wallpapers" / name / "contents/images/2560x1600.jpg" for name in _PLASMA]
    wanted += [next(iter((share / "backgrounds").glob(f"{n}_by*")), Path(n)) for n in _LOMIRI]
    wanted += [Path(skimage.__file__).parent / "data" / name for name in _SAMPLES]
    missing = [path.name for path in wanted if not path.is_file()]
    if missing:
        raise SystemExit(
            f"Photographs are missing: {', '.join(missing)}.\n"
            f"apt-get install --no-install-recommends {' '.join(PACKAGES)}"
        )
    return wanted


@lru_cache(maxsize=_KEPT)
def photograph(path: Path) -> Image.Image:
    """Return a photograph, RGB, lying, at most 2400 pixels wide."""
    with Image.open(path) as opened:
        opened.draft("RGB", (_LONGEST, _LONGEST))
        image = ImageOps.exif_transpose(opened).convert("RGB")
    if image.height > image.width:
        image = image.transpose(Image.Transpose.ROTATE_90)
    if image.width > _LONGEST:
        image = image.resize((_LONGEST, round(image.height * _LONGEST / image.width)))
    return image


def texture(seed: int, size: tuple[int, int] = (1200, 800)) -> Image.Image:
    """Make a picture with the statistics of photographs, for where no package is installed.

    Its spectrum falls as that of natural scenes does, amplitude as 1 / frequency (D. J. Field, J.
    Opt. Soc. Am. A 4 (1987); from memory), over leaves of one tone each that cover one another
    (dead leaves, whose edges natural pictures have: A. B. Lee and others, Int. J. Comput. Vision
    41 (2001); from memory).
    """
    rng = np.random.default_rng((seed, 77))
    width, height = size
    fy = np.fft.fftfreq(height)[:, None]
    fx = np.fft.rfftfreq(width)[None, :]
    fall = 1 / np.maximum(np.hypot(fx, fy), 2 / width)
    shade = np.empty((height, width, 3), np.float32)
    common = _cloud(rng, fall, size)
    for channel in range(3):
        shade[..., channel] = 0.8 * common + 0.35 * _cloud(rng, fall, size)
    tone = np.zeros((height, width, 3), np.float32)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    for _ in range(120):
        radius = float(np.clip(8 * rng.random() ** -0.6, 8, 400))
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        top, left = max(0, int(cy - radius)), max(0, int(cx - radius))
        part = np.s_[top : int(cy + radius) + 1, left : int(cx + radius) + 1]
        inside = (x[part] - cx) ** 2 + (y[part] - cy) ** 2 < radius**2
        tone[part][inside] = rng.normal(0, 0.9) + rng.normal(0, 0.3, 3)
    level = 118 + 42 * (tone + shade)
    return Image.fromarray(np.clip(level, 0, 255).astype(np.uint8))


def _cloud(
    rng: np.random.Generator, fall: NDArray[np.float64], size: tuple[int, int]
) -> NDArray[np.float32]:
    white = np.fft.rfft2(rng.standard_normal((size[1], size[0])))
    cloud = np.fft.irfft2(white * fall, s=(size[1], size[0]))
    return np.asarray(cloud / cloud.std(), np.float32)
