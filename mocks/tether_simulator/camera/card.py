"""The card in the camera: folders, files, names that count up, and the room that is left.

Everything lies in a folder on disk, so that a card outlives the camera's process. The files
there are named by number; the names that the camera gives them are kept in an index, because a
camera may give a name that no disk should see.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import threading
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tether_simulator.ptp import ObjectFormat

STORAGE = 0x00010001
"""Number of the one store: first slot, first volume."""

FOLDER_WORD = "BENCH"
FILE_WORD = "BNCH"
"""Five and four letters: DCF (CIPA DC-009) folder and file names, ``100BENCH/BNCH0001.DNG``."""

_INDEX = "index.json"


class NoRoom(Exception):
    """A picture did not fit."""


@dataclass(frozen=True, slots=True)
class Item:
    """A file or a folder. ``parent`` is 0 in the root; ``size`` is what is really there."""

    handle: int
    parent: int
    name: str
    form: ObjectFormat
    size: int = 0
    thumb_size: int = 0
    width: int = 0
    height: int = 0
    captured: datetime = datetime(2024, 1, 1)
    stated_size: int | None = None

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder."""
        return self.form is ObjectFormat.ASSOCIATION


class MemoryCard:
    """A card of ``capacity`` bytes, kept in ``folder`` (None: until it is closed).

    ``per_folder`` is how many pictures a folder takes before the next one is begun.
    """

    def __init__(
        self, folder: Path | None = None, *, capacity: int = 64 * 10**9, per_folder: int = 999
    ) -> None:
        self._temporary = None if folder else _temporary()
        self._folder = folder or Path(self._temporary.name if self._temporary else "")
        self._folder.mkdir(parents=True, exist_ok=True)
        self.capacity = capacity
        self._per_folder = per_folder
        self._lock = threading.RLock()
        self._items: dict[int, Item] = {}
        self._next_handle = 1
        self._number = 0
        self._series = 100
        self._in_series = 0
        index = self._folder / _INDEX
        if index.exists():
            self._load(json.loads(index.read_text(encoding="utf-8")))
        else:
            self._add(0, "DCIM", ObjectFormat.ASSOCIATION)
            self._save()

    def close(self) -> None:
        """Give up a temporary card. One in a folder of its own stays."""
        if self._temporary:
            self._temporary.cleanup()

    @property
    def free(self) -> int:
        """Bytes that are left."""
        return max(0, self.capacity - sum(item.size for item in self.items()))

    def items(self) -> tuple[Item, ...]:
        """Return everything on the card, oldest first."""
        with self._lock:
            return tuple(self._items.values())

    def find(self, handle: int) -> Item | None:
        """Return an item by its handle, None where there is none."""
        return self._items.get(handle)

    def children(self, parent: int) -> tuple[Item, ...]:
        """Return what lies in a folder (0: the root)."""
        return tuple(item for item in self.items() if item.parent == parent)

    def path_of(self, item: Item) -> str:
        """Return an item's folder as a camera shows it: ``/DCIM/100BENCH``."""
        names = []
        while (above := self._items.get(item.parent)) is not None:
            names.append(above.name)
            item = above
        return "/" + "/".join(reversed(names))

    def file_of(self, item: Item) -> Path:
        """Return where the bytes of a file are kept on this computer's disk."""
        return self._folder / f"{item.handle:08d}"

    def thumb(self, item: Item) -> bytes:
        """Return a file's thumbnail, empty where it has none."""
        if not item.thumb_size:
            return b""
        return self._thumb_file(item).read_bytes()

    def next_name(self) -> tuple[list[Item], Item, str]:
        """Count up; return the new folders, the folder to write to and the name without ending."""
        with self._lock:
            return self._next_name()

    def _next_name(self) -> tuple[list[Item], Item, str]:
        self._number = self._number % 9999 + 1
        if self._in_series >= self._per_folder or (self._number == 1 and self._in_series):
            self._series += 1
            self._in_series = 0
        self._in_series += 1
        dcim = next(item for item in self.children(0) if item.name == "DCIM")
        wanted = f"{self._series}{FOLDER_WORD}"
        for folder in self.children(dcim.handle):
            if folder.name == wanted:
                return [], folder, f"{FILE_WORD}{self._number:04d}"
        made = self._add(dcim.handle, wanted, ObjectFormat.ASSOCIATION)
        return [made], made, f"{FILE_WORD}{self._number:04d}"

    def reset_numbers(self) -> None:
        """Begin a new folder and number from 1 again, as cameras can be set to do."""
        with self._lock:
            self._series += 1
            self._in_series = 0
            self._number = 0

    def write(
        self,
        folder: Item,
        name: str,
        form: ObjectFormat,
        data: bytes,
        *,
        thumbnail: bytes = b"",
        size: tuple[int, int] = (0, 0),
        captured: datetime,
        stated_size: int | None = None,
    ) -> Item:
        """Write a file; ``stated_size`` is what the camera will say, None for the truth.

        Raises
        ------
        NoRoom
            When there is no room for it. Nothing is written then.
        """
        with self._lock:
            if len(data) > self.free:
                raise NoRoom(name)
            item = Item(
                self._next_handle,
                folder.handle,
                name,
                form,
                len(data),
                len(thumbnail),
                *size,
                captured,
                stated_size,
            )
            self.file_of(item).write_bytes(data)
            if thumbnail:
                self._thumb_file(item).write_bytes(thumbnail)
            self._keep(item)
            self._save()
            return item

    def remove(self, item: Item) -> None:
        """Remove a file, or a folder with everything in it."""
        for child in self.children(item.handle):
            self.remove(child)
        with self._lock:
            self._items.pop(item.handle, None)
            self._save()
        self.file_of(item).unlink(missing_ok=True)
        self._thumb_file(item).unlink(missing_ok=True)

    def _thumb_file(self, item: Item) -> Path:
        return self._folder / f"{item.handle:08d}.thumb"

    def _add(self, parent: int, name: str, form: ObjectFormat) -> Item:
        item = Item(self._next_handle, parent, name, form)
        self._keep(item)
        return item

    def _keep(self, item: Item) -> None:
        self._items[item.handle] = item
        self._next_handle = item.handle + 1

    def _save(self) -> None:
        """Write the index, whole or not at all: the process may be killed at any time."""
        state = {
            "next_handle": self._next_handle,
            "number": self._number,
            "series": self._series,
            "in_series": self._in_series,
            "items": [
                asdict(item) | {"captured": item.captured.isoformat()} for item in self.items()
            ],
        }
        new = self._folder / f"{_INDEX}.new"
        new.write_text(json.dumps(state), encoding="utf-8")
        new.replace(self._folder / _INDEX)

    def _load(self, state: dict[str, Any]) -> None:
        for fields in state["items"]:
            fields["form"] = ObjectFormat(fields["form"])
            fields["captured"] = datetime.fromisoformat(fields["captured"])
            item = Item(**fields)
            self._items[item.handle] = item
        self._next_handle = state["next_handle"]
        self._number = state["number"]
        self._series = state["series"]
        self._in_series = state["in_series"]


def _temporary() -> tempfile.TemporaryDirectory[str]:
    """Make a temporary folder, and sweep away those of processes that were killed."""
    prefix = "bench-card-"
    for left in Path(tempfile.gettempdir()).glob(f"{prefix}*-*"):
        process = left.name.removeprefix(prefix).partition("-")[0]
        if process.isdigit() and not _runs(int(process)):
            shutil.rmtree(left, ignore_errors=True)
    return tempfile.TemporaryDirectory(prefix=f"{prefix}{os.getpid()}-")


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
