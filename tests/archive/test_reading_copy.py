"""Reading an archive that cannot be written to: from a copy of which nothing is left."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tether.archive.archive import Archive
from tether.archive.database import COPY_PREFIX, clear_dead_copies
from tether.archive.layout import DATABASE
from tether.archive.records import NewRoll
from tether.film import FilmProcess


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary files of our own."""
    folder = tmp_path / "tmp"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A folder that can be made read-only: a disk of its own for root, whom no rights stop."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if os.geteuid() == 0:
        done = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", folder], check=False)
        if done.returncode:
            pytest.skip("this account may not mount a disk")
    yield folder
    if os.geteuid() == 0:
        subprocess.run(["umount", folder], check=True)
    else:
        folder.chmod(0o755)


def make_read_only(folder: Path) -> None:
    if os.geteuid() == 0:
        subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
    else:
        folder.chmod(0o555)


def test_an_archive_on_a_read_only_disk_is_read_with_what_its_write_ahead_log_holds(
    disk: Path, temporary: Path, tmp_path: Path
) -> None:
    """SQLite cannot make the helper files that its log needs (https://sqlite.org/wal.html)."""
    with contextlib.closing(Archive(tmp_path / "archive")) as archive:
        archive.store.rolls.add(NewRoll("Harbour", FilmProcess.COLOUR_NEGATIVE))
        for ending in ("", "-wal"):  # while it is open, the roll is in the log only
            shutil.copyfile(archive.root / f"{DATABASE}{ending}", disk / f"{DATABASE}{ending}")
    before = {path.name: path.read_bytes() for path in disk.iterdir()}
    assert len(before[f"{DATABASE}-wal"]) > 0
    make_read_only(disk)
    with pytest.raises(OSError, match=r"Read-only|denied"):
        (disk / "x").touch()
    with contextlib.closing(Archive(disk, create=False)) as archive:
        assert list(temporary.iterdir()) == [], "the copy has no name any more"
        assert [roll.name for roll in archive.store.rolls.all()] == ["Harbour"]
        assert archive.store.damage() == []
    assert {path.name: path.read_bytes() for path in disk.iterdir()} == before


def left(folder: Path, name: str, mode: int = 0o700) -> Path:
    """A copy as a killed process leaves it, an hour and more ago."""
    path = folder / name
    path.mkdir()
    path.chmod(mode)
    for ending in ("", "-wal", "-shm"):
        (path / f"{DATABASE}{ending}").write_bytes(b"private")
    os.utime(path, (0, 0))
    return path


def test_copies_that_killed_processes_left_are_removed_and_nothing_else(
    temporary: Path, tmp_path: Path
) -> None:
    treasure = tmp_path / "treasure"
    treasure.mkdir(mode=0o700)
    (treasure / DATABASE).write_bytes(b"an archive's own")
    os.utime(treasure, (0, 0))
    left(temporary, f"{COPY_PREFIX}dead")
    link = temporary / f"{COPY_PREFIX}link"
    link.symlink_to(treasure)
    open_to_all = left(temporary, f"{COPY_PREFIX}open", 0o755)
    (temporary / f"{COPY_PREFIX}file").write_bytes(b"x")
    young = left(temporary, f"{COPY_PREFIX}young")
    os.utime(young)
    other = left(temporary, f"{COPY_PREFIX}other")
    (other / "letter.txt").write_bytes(b"somebody's")
    (other / f"{DATABASE}-wal").unlink()
    (other / f"{DATABASE}-wal").symlink_to(treasure / DATABASE)
    os.utime(other, (0, 0))
    clear_dead_copies(temporary, DATABASE)
    assert not (temporary / f"{COPY_PREFIX}dead").exists()
    assert (treasure / DATABASE).read_bytes() == b"an archive's own"
    assert link.is_symlink()
    assert (open_to_all / DATABASE).is_file()
    assert (young / DATABASE).is_file(), "it may be in use"
    assert (temporary / f"{COPY_PREFIX}file").is_file()
    assert [p.name for p in other.iterdir()] == ["letter.txt"], "what is not of a copy stays"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make another account's folder")
def test_another_accounts_copy_is_left_alone(temporary: Path) -> None:
    theirs = left(temporary, f"{COPY_PREFIX}theirs")
    os.chown(theirs, 12345, 12345)
    clear_dead_copies(temporary, DATABASE)
    assert (theirs / DATABASE).is_file()


def test_a_folder_that_cannot_be_looked_through_is_no_trouble(tmp_path: Path) -> None:
    clear_dead_copies(tmp_path / "none", DATABASE)
