"""The camera's card: what is on it, how much room there is, and copying a file off it.

Names on a card are untrusted. They go back to the camera as they came and are never used as a
path on this computer.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from tether.camera.connection import IO_WRITE, Connection
from tether.camera.errors import CameraError, FileUnavailable
from tether.camera.protocol import CardFile

SIZE_NOT_STATED = 0xFFFFFFFF
"""PTP's way of saying that an object's size does not fit its 32 bits (ISO 15740)."""

DEEPEST_FOLDER = 12
"""Folders below this depth are not looked into; a card has three or four."""

Key = tuple[str, str]
"""A file's folder and name, as the camera has them."""


class Card:
    """The stores of the camera at the other end of a `Connection`."""

    def __init__(self, link: Connection) -> None:
        self._link = link

    def names(self, folder: str = "/", depth: int = 0) -> Iterator[Key]:
        """Yield folder and name of every file, folder by folder, in order of their names."""
        camera, context = self._link.camera, self._link.context
        files = [name for name, _ in camera.folder_list_files(folder, context).items()]
        yield from ((folder, name) for name in files)
        below = [name for name, _ in camera.folder_list_folders(folder, context).items()]
        if depth < DEEPEST_FOLDER:
            for name in sorted(below):
                yield from self.names(f"{folder.rstrip('/')}/{name}", depth + 1)

    def describe(self, folder: str, name: str) -> CardFile:
        """Return a file with its size and time, as far as the camera states them."""
        link = self._link
        try:
            info = link.camera.file_get_info(folder, name, link.context).file
        except link.gp.GPhoto2Error as error:
            if link.breaks(error):
                raise
            return CardFile(folder, name)
        has_size = info.fields & link.gp.GP_FILE_INFO_SIZE and info.size != SIZE_NOT_STATED
        has_time = info.fields & link.gp.GP_FILE_INFO_MTIME and info.mtime > 0
        return CardFile(
            folder,
            name,
            size=int(info.size) if has_size else None,
            modified=int(info.mtime) if has_time else None,
        )

    def room(self) -> tuple[int | None, int | None]:
        """Return the free bytes and pictures over all stores, None where none says."""
        link, gp = self._link, self._link.gp
        with link.doing("asking for the room on the card"):
            try:
                stores = link.camera.get_storageinfo(link.context)
            except gp.GPhoto2Error as error:
                if link.breaks(error):
                    raise
                return None, None
        kilobytes = [s.freekbytes for s in stores if s.fields & gp.GP_STORAGEINFO_FREESPACEKBYTES]
        images = [s.freeimages for s in stores if s.fields & gp.GP_STORAGEINFO_FREESPACEIMAGES]
        return (sum(kilobytes) * 1024 if kilobytes else None, sum(images) if images else None)

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`. The library writes each block to the file as it arrives."""
        descriptor = _new_file(destination)
        kept = f"The part that was copied is in {destination}. The original is still in the camera."
        try:
            self._copy(file, descriptor, destination)
            written = os.fstat(descriptor).st_size
        except CameraError as error:
            error.kept = kept
            raise
        finally:
            os.close(descriptor)
        if file.size is not None and written != file.size:
            raise FileUnavailable(
                f"{file.name!r} arrived with {written} bytes; the camera says {file.size}.",
                kept=kept,
                todo="Try again. If it is incomplete again, try another cable or port.",
            )
        return written

    def fetch_part(self, file: CardFile, destination: Path, offset: int, size: int) -> int:
        """See `PartwiseCamera.fetch_part`."""
        link, gp = self._link, self._link.gp
        part = bytearray(size)
        with link.doing(f"fetching {file.name!r}"):
            came = link.camera.file_read(
                file.folder, file.name, gp.GP_FILE_TYPE_NORMAL, offset, part, link.context
            )
        kept = f"A part of it is in {destination}; the original is still in the camera."
        if came <= 0:
            raise FileUnavailable(
                f"{file.name!r} ended after {offset} bytes where the camera says {file.size}.",
                kept=kept,
                todo="Try again. If it comes short again, try another cable or port.",
            )
        descriptor = os.open(destination, os.O_WRONLY) if offset else _new_file(destination)
        try:
            written = os.pwrite(descriptor, memoryview(part)[:came], offset)
        except OSError as error:
            raise FileUnavailable(
                f"{destination} could not be written: {error.strerror}.",
                kept=kept,
                todo="Make room on the disk, then fetch again.",
            ) from None
        finally:
            os.close(descriptor)
        return written

    def _copy(self, file: CardFile, descriptor: int, destination: Path) -> None:
        link, gp = self._link, self._link.gp
        with link.doing(f"copying {file.name!r}"):
            # The library closes the descriptor that it is given.
            target = gp.check_result(gp.gp_file_new_from_fd(os.dup(descriptor)))
            try:
                link.camera.file_get(
                    file.folder, file.name, gp.GP_FILE_TYPE_NORMAL, target, link.context
                )
            except gp.GPhoto2Error as error:
                if error.code != IO_WRITE:
                    raise
                raise FileUnavailable(
                    f"{destination} could not be written completely. The disk may be full.",
                    todo="Make room on the disk, then copy it again.",
                ) from None


def _new_file(destination: Path) -> int:
    try:
        return os.open(destination, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    except FileExistsError:
        raise FileUnavailable(
            f"{destination} exists already, and the program does not overwrite it.",
            kept="Both files are untouched.",
            todo="Copy it to another name.",
        ) from None
    except OSError as error:
        raise FileUnavailable(
            f"{destination} cannot be written: {error.strerror}.",
            kept="The file is still in the camera.",
            todo="Check the folder and the room on the disk, then copy it again.",
        ) from None
