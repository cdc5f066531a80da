"""What a delivery says when a file, a folder or a disk is gone: never a bare system error."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.delivery.delivering import Kept, kept_roll
from tether.archive.records import NewRoll
from tether.delivery import run as deliver_run
from tether.delivery.folder import DeliveredFolder
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.paths import reason, whole_path
from tether.positive import job
from tether.positive.job import PrintJob, SampleJob

RAW = "Harbour_f001_t1.dng"


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    roll = kept_roll(tmp_path / "archive", frames=2)
    yield roll
    roll.archive.close()


def plain(lines: list[str]) -> str:
    """Everything that was said; no name of an exception, no number of the system's."""
    said = " ".join(lines)
    assert "Error" not in said
    assert "Errno" not in said
    return said


def test_a_raw_file_that_is_gone_costs_no_other_and_says_what_next(kept: Kept) -> None:
    (kept.folder / RAW).unlink()
    result = kept.deliver()
    assert result.printed == 1
    said = plain(result.trouble)
    assert f"{RAW} is missing from the roll's folder." in said
    assert "tether verify" in said


def test_a_raw_file_that_goes_while_it_is_looked_at(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    def sampled_and_gone(work: SampleJob) -> object:
        found = job.sample(work)
        if work.path.name == RAW:
            work.path.unlink()
        return found

    monkeypatch.setattr(deliver_run, "sample", sampled_and_gone)
    result = kept.deliver()
    assert result.printed == 1
    assert "is missing from the roll's folder" in plain(result.trouble)


def test_a_raw_file_that_goes_before_it_is_printed(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone_and_printed(work: PrintJob) -> object:
        if work.path.name == RAW:
            work.path.unlink()
        return job.print_file(work)

    monkeypatch.setattr(deliver_run, "print_file", gone_and_printed)
    result = kept.deliver()
    assert result.printed == 1
    assert "is missing from the roll's folder" in plain(result.trouble)


def test_a_positive_that_goes_again_at_once(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    def printed_and_gone(work: PrintJob) -> object:
        found = job.print_file(work)
        if work.path.name == RAW:
            work.jpeg.unlink()
        return found

    monkeypatch.setattr(deliver_run, "print_file", printed_and_gone)
    result = kept.deliver()
    assert result.printed == 1
    assert "was made, but has gone (Harbour_f001_t1.jpg)" in plain(result.trouble)
    monkeypatch.undo()
    assert kept.deliver().printed == 1, "the next one makes it again"


def test_a_disk_that_refuses_a_positive(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(work: PrintJob) -> object:
        raise OSError(errno.ENOSPC, "No space left on device", str(work.jpeg))

    monkeypatch.setattr(deliver_run, "print_file", refused)
    result = kept.deliver()
    assert result.printed == 0
    assert "the disk is full (" in plain(result.trouble)
    assert "Finished positives are kept" in result.trouble[0]


def test_a_rolls_folder_that_was_renamed_is_not_made_anew(kept: Kept) -> None:
    kept.folder.rename(kept.folder.with_name("Elsewhere"))
    with pytest.raises(TetherError, match="is not there") as caught:
        kept.deliver()
    assert "put the folder back under this name" in caught.value.todo
    assert not kept.folder.exists()


def test_a_roll_of_which_nothing_was_kept_is_not_said_to_be_gone(kept: Kept) -> None:
    """It has no folder before its first sitting."""
    new = kept.archive.store.rolls.add(NewRoll("Quay", FilmProcess.BW_NEGATIVE))
    with pytest.raises(TetherError, match="kept yet"):
        Kept(kept.archive, new).deliver()


def test_a_delivered_folder_that_goes_on_the_way(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    to = tmp_path / "disk" / "out"
    write = DeliveredFolder.write

    def gone(self: DeliveredFolder, record: object) -> None:
        if getattr(record, "samples", None):
            self.root.rename(tmp_path / "unplugged")
        write(self, record)  # type: ignore[arg-type]

    monkeypatch.setattr(DeliveredFolder, "write", gone)
    with pytest.raises(TetherError, match="interrupted") as caught:
        kept.deliver(to=to)
    plain([str(caught.value)])
    assert "The raw files are unchanged" in caught.value.kept


@pytest.mark.parametrize("to", ["file/x", "file"])
def test_a_folder_that_cannot_be(kept: Kept, tmp_path: Path, to: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(TetherError, match="cannot be used") as caught:
        kept.deliver(to=tmp_path / to)
    assert "--to" in caught.value.todo


def test_homes_that_are_none() -> None:
    with pytest.raises(TetherError, match="no home") as caught:
        whole_path(Path("~nobody-of-that-name/x"))
    assert caught.value.todo


def test_a_shell_that_stands_in_a_folder_that_is_gone(kept: Kept, tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()
    roll, archive = kept.roll.name, str(kept.archive.root)
    program = (
        "import os, sys; os.rmdir(os.getcwd()); from tether.cli.main import main; "
        f"sys.argv = ['tether', 'deliver', {roll!r}, '--archive', {archive!r}, *{{}}]; main()"
    )
    for more, said in ((["--to", "out"], "out is nowhere"), ([], "The delivery was interrupted")):
        folder.mkdir(exist_ok=True)
        done = subprocess.run(
            [sys.executable, "-c", program.format(more)],
            cwd=folder, capture_output=True, text=True, check=False,
            env=os.environ | {"PYTHONPATH": str(Path.cwd())},
        )  # fmt: skip
        assert done.returncode == 1
        assert said in done.stderr
        assert "Traceback" not in done.stderr


def test_what_the_disk_says_in_words() -> None:
    assert reason(OSError(errno.ENOENT, "x", "/a/b")) == "it is not there (/a/b)"
    assert reason(OSError(errno.EROFS, "x")) == "the disk is write-protected"
    assert reason(OSError(errno.EIO, "Input/output error", "/a\x1b[2J")) == (
        "Input/output error (/a\N{REPLACEMENT CHARACTER}[2J)"
    )
    assert reason(OSError("something else")) == "something else"
