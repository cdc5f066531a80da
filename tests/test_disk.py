"""A file that replaces another: whole at every moment, bytes on the disk before the name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tether import disk


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
