"""What the camera asks of the scene in front of its lens, and how a picture gets onto the card.

Which files it makes, under which names, and what goes wrong with them.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Protocol

from tether_simulator import faults as wrong
from tether_simulator.camera.card import Item, MemoryCard
from tether_simulator.camera.dials import Quality
from tether_simulator.faults import PictureFault, among
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptp import ObjectFormat


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

    def expose(self, exposure: CameraExposure, /) -> Picture:
        """Return what an exposure makes of it."""
        ...

    def live_view(
        self,
        exposure: CameraExposure,
        *,
        zoom: float = 1.0,
        centre: tuple[float, float] = (0.5, 0.5),
    ) -> bytes:
        """Return a JPEG; ``centre`` in shares of the picture's width and height."""
        ...


File = tuple[str, ObjectFormat, bytes]
"""A file of a picture: its name's ending, its format, its bytes."""


def files_of(picture: Picture, quality: Quality) -> list[File]:
    """Return the files that one exposure makes, the raw file first."""
    files: list[File] = []
    if quality.has_raw:
        files.append(("DNG", ObjectFormat.DNG, picture.raw))
    if quality.has_jpeg:
        files.append(("JPG", ObjectFormat.EXIF_JPEG, picture.jpeg))
    return files


def place(card: MemoryCard, striking: Iterable[PictureFault]) -> tuple[list[Item], Item, str]:
    """Return new folders, the folder to write to, and the next name without its ending."""
    again = among(wrong.SameName, striking)
    pictures = [item for item in card.items() if not item.is_folder]
    if again and again.same and pictures:
        last = pictures[-1]
        folder = card.find(last.parent)
        if folder is not None:
            return [], folder, last.name.rpartition(".")[0]
    if again:
        card.reset_numbers()
    return card.next_name()


def write(
    card: MemoryCard,
    folder: Item,
    name: str,
    file: File,
    picture: Picture,
    *,
    captured: datetime,
    striking: Iterable[PictureFault],
) -> Item:
    """Write one file of a picture, as the faults leave it. Raises `CardFull`."""
    _, form, data = file
    stated: int | None = None
    if bad := among(wrong.BadName, striking):
        name = bad.name
    if size := among(wrong.WrongSize, striking):
        stated = max(0, len(data) + size.by)
    if harm := among(wrong.Corrupted, striking):
        start = harm.offset % len(data)
        spoilt = bytes(byte ^ 0xFF for byte in data[start : start + harm.length])
        data = data[:start] + spoilt + data[start + len(spoilt) :]
    if cut := among(wrong.Truncated, striking):
        stated, data = len(data), data[: cut.keep]
    return card.write(
        folder,
        name,
        form,
        data,
        thumbnail=picture.thumbnail,
        size=(picture.width, picture.height),
        captured=captured,
        stated_size=stated,
    )
