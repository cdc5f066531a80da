"""What the bar code on the edge of 135 film says: the film's two numbers and the frame number.

A code is 31 modules long. The data track holds ``101010``, seven bits of one number, a 0, four
bits of the other, six of the frame number, one for the half frame after it ("A"), a 0, the parity
of these twenty, and ``0101`` (ISO 1007; US patents 4965628 and 5448049; zxing-cpp reads and writes
the same, and the tests hold this against it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MODULES = 31
_START, _END = "101010", "0101"
_FIXED = [(i, int(b)) for i, b in enumerate(_START)] + [
    (MODULES - len(_END) + i, int(b)) for i, b in enumerate(_END)
]
_ALWAYS_0 = (len(_START) + 7, MODULES - len(_END) - 2)
_PLAIN = 0.35
"""Least distance of a module from the middle between dark and light, where 1 is all of it."""
_LEAST_EV = 0.25
"""Least difference of printed and unprinted modules, in stops."""


@dataclass(frozen=True, slots=True)
class EdgeBits:
    """What one bar code says.

    Attributes
    ----------
    film
        The film's numbers, as 33-7.
    frame
        The frame number, a half more for the code after it ("A").
    """

    film: str
    frame: float

    @property
    def text(self) -> str:
        """The code as zxing-cpp writes it, 33-7/4A."""
        return f"{self.film}/{frame_label(self.frame)}"


def frame_label(frame: float) -> str:
    """Return a frame number as it stands on the film's edge: 4, and 4A for the half after it."""
    return f"{int(frame)}{'A' if frame % 1 else ''}"


def read_bits(track: NDArray[np.floating]) -> EdgeBits | None:
    """Read a data track.

    Parameters
    ----------
    track
        Mean of each module in stops, positive where the film was exposed, shape (31,), in the
        order of the code.

    Returns
    -------
    None where a module is neither plainly printed nor plainly not, where what never changes is not
    as it should be, or the parity is wrong.
    """
    printed = np.mean([track[i] for i, bit in _FIXED if bit])
    empty = np.mean([track[i] for i, bit in _FIXED if not bit])
    if not printed - empty > _LEAST_EV:
        return None
    place = 2 * (track - empty) / (printed - empty) - 1
    bits = [int(v > 0) for v in place]
    if np.abs(place).min() < _PLAIN or any(bits[i] != bit for i, bit in _FIXED):
        return None
    payload = bits[len(_START) : -len(_END) - 1]
    if any(bits[i] for i in _ALWAYS_0) or sum(payload) % 2 != bits[-len(_END) - 1]:
        return None
    number, extract, frame = (
        int("".join(map(str, payload[a:b])), 2) for a, b in ((0, 7), (8, 12), (12, 18))
    )
    return EdgeBits(f"{number}-{extract}", frame + 0.5 * payload[18])
