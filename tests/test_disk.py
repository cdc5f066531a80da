"""A file that replaces another: whole at every moment, bytes on the disk before the name."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tether import disk


@pytest.mark.parametrize("code", [errno.EINVAL, errno.ENOTSUP, errno.ENOSYS, errno.EBADF])
def test_a_disk_that_cannot_flush_folders_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    monkeypatch.setattr(os, "fsync", failing(code))
    disk.flush_folder(tmp_path)


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT])
def test_a_disk_that_fails_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    monkeypatch.setattr(os, "fsync", failing(code))
    with pytest.raises(OSError, match=os.strerror(code)):
        disk.flush_folder(tmp_path)


def failing(code: int) -> Callable[[int], None]:
    def fsync(_: int) -> None:
        raise OSError(code, os.strerror(code))

    return fsync


def test_a_new_folder_reaches_the_disk_before_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: list[Path] = []
    monkeypatch.setattr(
        os, "fsync", lambda handle: flushed.append(Path(f"/dev/fd/{handle}").resolve())
    )
    disk.make_folder(tmp_path / "roll" / "frames")
    roll, frames = tmp_path / "roll", tmp_path / "roll" / "frames"
    assert flushed == [frames, roll, roll, tmp_path]


def test_bytes_reach_the_disk_before_the_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    part, final = tmp_path / "part", tmp_path / "final"
    part.write_bytes(b"new")
    final.write_bytes(b"old")
    flushed: list[tuple[str, bytes]] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        what = "folder" if Path(f"/dev/fd/{handle}").is_dir() else "file"
        flushed.append((what, final.read_bytes()))
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    disk.put_in_place(part, final)
    assert flushed == [("file", b"old"), ("folder", b"new")]
    assert not part.exists()
