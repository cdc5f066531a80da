"""Private copies for reading: gone with their process, and those of killed ones soon after."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tether.archive.layout import DATABASE
from tether.archive.private_copy import PREFIX, PrivateCopy, clear_dead

LATER = time.time() + 3600


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary files of our own."""
    folder = tmp_path / "tmp"
    folder.mkdir()
    monkeypatch.setenv("TMPDIR", str(folder))
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


def left(folder: Path, name: str = f"{PREFIX}dead", mode: int = 0o700) -> Path:
    """A copy as a killed process leaves it."""
    path = folder / name
    path.mkdir()
    path.chmod(mode)
    for ending in ("", "-wal", "-shm"):
        (path / f"{DATABASE}{ending}").write_bytes(b"private")
    return path


def test_a_copy_goes_when_it_is_closed_and_when_it_is_forgotten(temporary: Path) -> None:
    copy = PrivateCopy(DATABASE)
    copy.path.write_bytes(b"private")
    assert copy.folder.stat().st_mode & 0o777 == 0o700
    copy.close()
    copy.close()
    forgotten = PrivateCopy(DATABASE)
    forgotten.path.write_bytes(b"private")
    del forgotten
    assert list(temporary.iterdir()) == []


def test_a_killed_process_leaves_a_copy_that_the_next_one_removes(
    temporary: Path,
) -> None:
    program = (
        "import sys; from tether.archive.private_copy import PrivateCopy; "
        f"c = PrivateCopy({DATABASE!r}); c.path.write_bytes(b'x'); print('made', flush=True); "
        "sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "made\n"
        (copy,) = temporary.iterdir()
        clear_dead(temporary, DATABASE, LATER)
        assert copy.is_dir(), "it is in use, however old it is"
        process.send_signal(signal.SIGKILL)
        process.wait()
    clear_dead(temporary, DATABASE)
    assert copy.is_dir(), "too young to be told from one that is just being made"
    os.utime(copy, (0, 0))
    PrivateCopy(DATABASE).close()
    assert list(temporary.iterdir()) == []


def test_links_files_and_strange_folders_are_left_alone(temporary: Path, tmp_path: Path) -> None:
    treasure = tmp_path / "treasure"
    treasure.mkdir()
    (treasure / DATABASE).write_bytes(b"an archive's own")
    link = temporary / f"{PREFIX}link"
    link.symlink_to(treasure)
    open_to_all = left(temporary, f"{PREFIX}open", 0o755)
    (temporary / f"{PREFIX}file").write_bytes(b"x")
    other = left(temporary, f"{PREFIX}other")
    (other / "letter.txt").write_bytes(b"somebody's")
    (other / f"{DATABASE}-wal").unlink()
    (other / f"{DATABASE}-wal").symlink_to(treasure / DATABASE)
    clear_dead(temporary, DATABASE, LATER)
    assert (treasure / DATABASE).read_bytes() == b"an archive's own"
    assert link.is_symlink()
    assert (open_to_all / DATABASE).is_file()
    assert (temporary / f"{PREFIX}file").is_file()
    assert [p.name for p in other.iterdir()] == ["letter.txt"], "what is not of a copy stays"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make another account's folder")
def test_another_accounts_copy_is_left_alone(temporary: Path) -> None:
    theirs = left(temporary)
    os.chown(theirs, 12345, 12345)
    clear_dead(temporary, DATABASE, LATER)
    assert (theirs / DATABASE).is_file()


def test_a_folder_that_cannot_be_looked_through_is_no_trouble(tmp_path: Path) -> None:
    clear_dead(tmp_path / "none", DATABASE, LATER)
