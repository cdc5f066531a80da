"""Reading the copies, and bringing files back from the side that is right."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.archive.bench_rig import digest
from tests.archive.conftest import Desk
from tether.archive.archive import Archive
from tether.archive.second_copy import SecondCopy, choose_copy_folder
from tether.archive.verify import VerifyProgress
from tether.cli.main import app
from tether.errors import TetherError


class Copied:
    """An archive with one roll of three frames and its copy; no program is open."""

    def __init__(self, desk: Desk, copy: Path) -> None:
        self.root, self.copies = desk.root, copy
        desk.made_roll()
        self.start().close()
        self.ours, self.theirs = desk.root / "Harbour", copy / "Harbour"
        self.names = [f"Harbour_f00{n}_t1.dng" for n in (1, 2, 3)]
        self.right = {name: digest(self.ours / name) for name in self.names}

    def start(self) -> Archive:
        """Open the archive as a session does, and wait until the copying is done."""
        archive = Archive(self.root)
        archive.second_copy = SecondCopy(archive, choose_copy_folder(archive, self.copies))
        archive.second_copy.start()
        self.sentence = archive.second_copy.finish().sentence()
        return archive

    def run(self, *words: str) -> tuple[int, str]:
        """Run a command; return its exit code and what it says, also why it does not run."""
        done = CliRunner().invoke(app, [*words, "--archive", str(self.root)])
        if isinstance(done.exception, TetherError):
            return 1, str(done.exception)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.output

    def all_right(self) -> bool:
        return all(
            digest(folder / name) == sha256
            for folder in (self.ours, self.theirs)
            for name, sha256 in self.right.items()
        )


@pytest.fixture
def copied(desk: Desk) -> Copied:
    return Copied(desk, desk.base / "copy")


def damage(path: Path, data: bytes | None = None) -> bytes:
    """Change a file's bytes and leave its size and time, as a worn-out disk does."""
    before = path.stat()
    data = data or b"\0" * before.st_size
    path.write_bytes(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    return data


def test_a_check_reads_the_copies_and_the_next_start_makes_wrong_ones_again(
    copied: Copied,
) -> None:
    zeros = damage(copied.theirs / copied.names[0])
    copied.start().close()
    assert "Everything is copied" in copied.sentence, "size and time are as they were"
    code, said = copied.run("verify")
    assert code == 1
    assert f"changed in the copy folder: {copied.theirs / copied.names[0]}" in said
    assert "tether restore ROLL" in said
    copied.start().close()
    assert copied.all_right()
    assert (copied.theirs / "damaged" / f"{copied.names[0]}.1").read_bytes() == zeros
    assert copied.sentence.endswith("To prove it: tether verify."), "the proof was refuted"
    code, said = copied.run("verify")
    assert code == 0
    assert ", and the copies: all unchanged." in said
    copied.start().close()
    assert ", proved on 20" in copied.sentence


def test_copies_that_cannot_be_read_are_not_called_right(copied: Copied) -> None:
    copied.copies.rename(copied.copies.with_name("away"))
    code, said = copied.run("verify")
    assert code == 0
    assert "The copies were not checked." in said
    assert "and the copies" not in said
    assert "cannot be used: it is not there" in copied.run("restore", "Harbour")[1]


def test_files_come_back_from_the_side_that_is_right(copied: Copied) -> None:
    rotten = damage(copied.ours / copied.names[0])
    (copied.ours / copied.names[1]).unlink()
    short = damage(copied.theirs / copied.names[2], b"short")
    right = {
        path: path.stat().st_ino
        for path in (copied.theirs / copied.names[0], copied.ours / copied.names[2])
    }
    code, said = copied.run("restore", "Harbour")
    assert code == 0
    assert copied.all_right()
    assert {path: path.stat().st_ino for path in right} == right, "what was right is left alone"
    assert (copied.ours / "damaged" / f"{copied.names[0]}.1").read_bytes() == rotten
    assert (copied.theirs / "damaged" / f"{copied.names[2]}.1").read_bytes() == short
    assert f"{copied.names[0]} was changed and is brought back into the archive" in said
    assert f"{copied.names[1]} was missing and is brought back into the archive." in said
    assert f"{copied.names[2]} was changed and is brought back into the copy folder" in said
    assert "2 files brought back into the archive, 1 file copied again" in said
    assert copied.run("verify", "Harbour")[0] == 0
    with contextlib.closing(Archive(copied.root)) as archive:
        roll = archive.store.rolls.named("Harbour")
        kinds = [kind for _, _, kind, _ in archive.store.journal.log_lines(roll.id)]
        assert kinds.count("restore") == 3
    code, said = copied.run("restore", "Harbour")
    assert (code, said) == (0, "3 files read on both sides: all right.\n")


def test_one_file_only(copied: Copied) -> None:
    for name in copied.names[:2]:
        (copied.ours / name).unlink()
    assert copied.run("restore", "Harbour", copied.names[1])[0] == 0
    assert (copied.ours / copied.names[1]).is_file()
    assert not (copied.ours / copied.names[0]).exists()
    assert "has no file" in copied.run("restore", "Harbour", "../tether.sqlite3")[1]


def test_where_neither_side_is_right_both_are_kept_and_named(copied: Copied) -> None:
    one = damage(copied.ours / copied.names[0])
    other = damage(copied.theirs / copied.names[0], b"other")
    code, said = copied.run("restore", "Harbour")
    assert code == 1
    assert f"{copied.names[0]} is right on neither side" in said
    assert str(copied.ours / copied.names[0]) in said
    assert str(copied.theirs / copied.names[0]) in said
    assert (copied.ours / copied.names[0]).read_bytes() == one
    assert (copied.theirs / copied.names[0]).read_bytes() == other


def test_a_roll_whose_folder_is_gone_comes_back_whole(copied: Copied) -> None:
    (copied.ours / "Harbour_f001_t1.xmp").write_text("<x/>")
    with contextlib.closing(copied.start()):
        pass
    assert (copied.theirs / "Harbour_f001_t1.xmp").is_file()
    shutil.rmtree(copied.ours)
    assert copied.run("restore", "Harbour")[0] == 0
    assert copied.all_right()
    assert (copied.ours / "Harbour_f001_t1.xmp").read_text() == "<x/>"
    assert (copied.ours / "frames" / "f001.json").is_file()
    assert copied.run("verify")[0] == 0


def test_a_folder_that_has_another_name_now_is_not_made_a_second_time(copied: Copied) -> None:
    copied.ours.rename(copied.root / "Harbour old")
    assert "has another name now: Harbour old" in copied.run("restore", "Harbour")[1]
    assert not copied.ours.exists()


def test_room_is_looked_for_before_anything_is_changed(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    (copied.ours / copied.names[0]).unlink()
    rotten = damage(copied.ours / copied.names[1])
    usage = shutil.disk_usage(copied.root)._replace(free=10)
    monkeypatch.setattr("tether.archive.restore.shutil.disk_usage", lambda _: usage)
    assert "has 10 bytes left" in copied.run("restore", "Harbour")[1]
    assert not (copied.ours / copied.names[0]).exists()
    assert (copied.ours / copied.names[1]).read_bytes() == rotten


def test_a_check_that_began_without_the_copies_is_no_proof_of_them(copied: Copied) -> None:
    """It is interrupted while the disk is away, and goes on when it is back."""
    damage(copied.theirs / copied.names[0])
    VerifyProgress(copied.root).add("Harbour")
    code, said = copied.run("verify")
    assert code == 1
    assert f"changed in the copy folder: {copied.theirs / copied.names[0]}" in said
