"""Pictures for the film."""

from __future__ import annotations
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]


def paint(frame: int, seed: int, width: int, height: int) -> FloatArray:
    rng = np.random.default_rng((seed, frame, 1))
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    base = np.sin(x * rng.uniform(3, 9) + 3 * y) * 0.7 - 0.3 + 0 * y
    return np.stack([base, base + 0.05, base - 0.05]).astype(np.float32)
