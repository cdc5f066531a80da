"""What the simulated camera asks of the scene in front of its lens."""

from __future__ import annotations

from typing import Protocol

from tether_simulator.exposure import Exposure


class Picture(Protocol):
    """What a scene gives for one exposure: a DNG, a thumbnail and a JPEG."""

    @property
    def raw(self) -> bytes:
        """The raw file."""
        ...

    @property
    def thumbnail(self) -> bytes:
        """A small JPEG."""
        ...

    @property
    def jpeg(self) -> bytes:
        """The camera's own JPEG."""
        ...

    @property
    def width(self) -> int:
        """Pixels of the raw file along a row."""
        ...

    @property
    def height(self) -> int:
        """Rows of the raw file."""
        ...


class Scene(Protocol):
    """What is in front of the lens."""

    def expose(self, exposure: Exposure, /) -> Picture:
        """Return what an exposure makes of it."""
        ...

    def live_view(
        self, exposure: Exposure, *, zoom: float = 1.0, centre: tuple[float, float] = (0.5, 0.5)
    ) -> bytes:
        """Return a JPEG; ``centre`` in shares of the picture's width and height."""
        ...
