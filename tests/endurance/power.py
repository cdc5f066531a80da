"""Disks in files, and the power cut of one: what was not flushed is really lost (ext4, Linux)."""

from __future__ import annotations

import fcntl
import os
import shutil
import struct
import subprocess
from dataclasses import dataclass
from pathlib import Path

_SHUTDOWN = 0x8004587D
_NO_LOG_FLUSH = 2
"""EXT4_IOC_SHUTDOWN and EXT4_GOING_FLAGS_NOLOGFLUSH (Linux, fs/ext4/ext4.h)."""

JOURNALS = {
    "ordered": ("", "data=ordered"),
    "writeback": ("", "data=writeback"),
    "fast_commit": ("fast_commit", "data=ordered"),
    "none": ("^has_journal", ""),
}
"""By name: features that the disk is made with, options that it is mounted with."""


def cut_power(place: Path) -> None:
    """Let a mounted ext4 forget everything that had not reached the disk, and refuse all else."""
    handle = os.open(place, os.O_RDONLY)
    try:
        fcntl.ioctl(handle, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
    finally:
        os.close(handle)


@dataclass
class Disk:
    """An ext4 in a file, mounted at ``place``."""

    image: Path
    place: Path
    journal: str

    def make(self, megabytes: int = 1024) -> None:
        """Make it empty, and mount it; the file takes only the room that is used."""
        self.image.unlink(missing_ok=True)
        with self.image.open("wb") as file:
            file.truncate(megabytes << 20)
        features, _ = JOURNALS[self.journal]
        _run("mkfs.ext4", "-q", *(["-O", features] if features else []), str(self.image))
        self.place.mkdir(exist_ok=True)
        self.mount()

    def mount(self) -> None:
        options = ",".join(filter(None, ("loop", JOURNALS[self.journal][1])))
        _run("mount", "-o", options, str(self.image), str(self.place))

    def after_cut(self) -> None:
        """Mount it again, as after a start of the computer.

        What the disk holds is copied first: unmounting still writes what the system had kept in
        memory of a disk without a journal.
        """
        held = self.image.with_suffix(".held")
        _run("cp", "--sparse=always", str(self.image), str(held))
        self.unmount()
        held.replace(self.image)
        if self.journal == "none":  # as a start does: 1 is "errors corrected"
            done = subprocess.run(
                ["fsck.ext4", "-y", "-f", self.image], capture_output=True, check=False
            )
            if done.returncode > 1:
                raise RuntimeError(done.stdout.decode())
        self.mount()

    def unmount(self) -> None:
        _run("umount", str(self.place))


def can_mount(base: Path) -> str:
    """Tell why disks in files cannot be used here, "" where they can."""
    if os.geteuid() != 0:
        return "it needs root"
    if shutil.which("mkfs.ext4") is None:
        return "it needs mkfs.ext4"
    try:
        disk = Disk(base / "try.img", base / "try", "ordered")
        disk.make(16)
        cut_power(disk.place)
        disk.unmount()
    except (OSError, subprocess.CalledProcessError) as error:
        return f"it needs loop devices and ext4 ({error})"
    return ""


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True)
