"""An archive on a disk that several computers may have open, by the system's table of mounts."""

from __future__ import annotations

import contextlib
import os
import socket
import sqlite3
from pathlib import Path

import pytest

from tests.archive.bench_rig import problems
from tests.archive.conftest import Desk
from tether.archive import file_system
from tether.archive.archive import Archive
from tether.archive.database import HOLD_FILE, ArchiveDatabaseError
from tether.archive.file_system import FileSystem, file_system_of
from tether.archive.layout import DATABASE

TABLE = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 27 0:40 / /media/film\040rolls rw,relatime shared:5 - nfs4 nas:/film rw,vers=4.2,hard
31 27 0:41 / /media/old rw - nfs nas:/old rw,nolock
32 27 0:42 / /media/over rw - fuse.sshfs me@nas:/ rw,user_id=0
33 27 0:43 / /media/stick rw - fuseblk /dev/sdb1 rw
34 27 0:44 / /media/twice rw - cifs //nas/x rw
35 27 8:2 / /media/twice rw - ext4 /dev/sdc1 rw
36 27 0:45 / /media/cloud rw - fuse.something any rw
a line of something else
"""


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "mountinfo"
    path.write_text(TABLE)
    monkeypatch.setattr(file_system, "MOUNT_TABLE", path)
    return path


@pytest.mark.parametrize(
    ("folder", "kind", "shared", "local_locks"),
    [
        ("/home/me/film", "ext4", False, ""),
        ("/media/film rolls/archive", "nfs4", True, ""),
        ("/media/old/archive", "nfs", True, "the option nolock"),
        ("/media/over/archive", "fuse.sshfs", True, "fuse.sshfs sends no locks"),
        ("/media/stick", "fuseblk", False, ""),
        ("/media/twice/archive", "ext4", False, ""),
        ("/media/cloud", "fuse.something", True, ""),
        ("/media/film rolls-2", "ext4", False, ""),
    ],
)
@pytest.mark.usefixtures("table")
def test_a_folder_s_file_system(folder: str, kind: str, shared: bool, local_locks: str) -> None:
    found = file_system_of(Path(folder))
    assert (found.kind, found.is_shared) == (kind, shared)
    assert found.keeps_locks_to_itself == local_locks


def test_the_file_system_is_that_of_the_nearest_mount(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = tmp_path / "mounts"
    table.write_text(
        "1 0 8:1 / / rw - ext4 /dev/a rw\n"
        f"2 1 0:4 / {tmp_path}/my\\040films rw - nfs4 server:/x rw\n"
        f"3 2 8:2 / {tmp_path}/my\\040films/old rw - vfat /dev/b rw\n"
        "torn\n"
    )
    monkeypatch.setattr(file_system, "MOUNT_TABLE", table)
    films = tmp_path / "my films"
    (films / "old").mkdir(parents=True)
    assert file_system_of(films).kind == "nfs4"
    assert file_system_of(films / "old" / "roll").kind == "vfat"
    assert file_system_of(tmp_path).kind == "ext4"
    monkeypatch.setattr(file_system, "MOUNT_TABLE", tmp_path / "none")
    assert file_system_of(tmp_path).kind == ""


@pytest.mark.parametrize("kind", ["davfs", "webdav", "fuse.rclone", "beegfs"])
def test_disks_of_other_machines_by_their_kind(kind: str) -> None:
    assert FileSystem(kind).is_shared


def test_where_there_is_no_table_a_disk_counts_as_local(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_system, "MOUNT_TABLE", tmp_path / "none")
    assert file_system_of(tmp_path) == FileSystem("")
    assert not FileSystem("").is_shared


def on(desk: Desk, table: Path, kind: str, options: str = "rw") -> None:
    """Have the archive's folder mounted from elsewhere, as the table says."""
    table.write_text(f"{TABLE}99 27 0:50 / {desk.base.resolve()} rw - {kind} nas:/x {options}\n")


def journal_mode(desk: Desk) -> str:
    with contextlib.closing(sqlite3.connect(desk.root / DATABASE)) as db:
        return str(db.execute("PRAGMA journal_mode").fetchone()[0])


def test_one_program_at_a_time_and_no_shared_memory(desk: Desk, table: Path) -> None:
    on(desk, table, "nfs4")
    session = desk.session()
    said = " ".join(session.found)
    assert "on a network disk (nfs4)" in said
    desk.work(session, keep=1)
    assert not list(desk.root.glob("*-shm")), "nothing is shared that another computer cannot see"
    with pytest.raises(ArchiveDatabaseError) as caught:
        Archive(desk.root)
    assert f"process {os.getpid()} on {socket.gethostname()}" in str(caught.value)
    with contextlib.closing(Archive(desk.root, create=False)) as reading:
        assert reading.store.rolls.totals().frames_done == 1
    desk.work(session)
    desk.close()
    assert journal_mode(desk) == "delete"
    assert problems(desk.archive(), "Harbour") == []


def test_an_archive_that_is_moved_there_and_back(desk: Desk, table: Path) -> None:
    desk.made_roll()
    assert journal_mode(desk) == "wal"
    on(desk, table, "cifs")
    with contextlib.closing(Archive(desk.root, create=False)) as reading:
        assert reading.store.rolls.totals().frames_done == 3
        assert not list(desk.root.glob("*-shm"))
    desk.made_roll("Winter")
    assert journal_mode(desk) == "delete"
    on(desk, table, "ext4")
    desk.made_roll("Market")
    assert journal_mode(desk) == "wal"
    assert problems(desk.archive(), "Winter") == []


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("nfs", "rw,nolock"),
        ("nfs4", "rw,local_lock=all"),
        ("cifs", "rw,nobrl"),
        ("fuse.sshfs", "rw"),
    ],
)
def test_a_disk_that_shares_no_locks_is_refused(
    desk: Desk, table: Path, kind: str, options: str
) -> None:
    desk.made_roll()
    on(desk, table, kind, options)
    with pytest.raises(ArchiveDatabaseError, match="locks are not shared") as caught:
        desk.archive()
    assert "--copy" in caught.value.todo
    assert not (desk.root / HOLD_FILE).exists()
    assert desk.archive(create=False).store.rolls.totals().frames_done == 3, "it may be read"
