"""The commands as a person runs them: in a terminal, in a pipe, and with bad input."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest
from click.testing import CliRunner

from tether.cli.main import app
from tether.film import FilmProcess
from tether.settings import Settings
from tether.settings_file import load

ROOT = Path(__file__).parents[2]
TETHER = [sys.executable, "-m", "tether"]


def run(*words: object, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a pipe."""
    return subprocess.run(
        [*TETHER, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=ROOT,
        env=os.environ | more,
    )


def rolls(archive: Path) -> list[dict[str, object]]:
    done = run("rolls", "--archive", archive, "--json")
    assert done.returncode == 0, done.stderr
    listed: list[dict[str, object]] = json.loads(done.stdout)
    return listed


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """An archive with one rehearsed roll, and what the command printed into a pipe."""
    archive = tmp_path_factory.mktemp("rehearsal")
    done = run("rehearse", "--unattended", "--frames", 2, "--archive", archive)
    assert done.returncode == 0, done.stderr
    return archive, done.stdout


def test_unattended_shoots_the_roll_and_says_where_it_lies(rehearsed: tuple[Path, str]) -> None:
    archive, printed = rehearsed
    assert "\x1b" not in printed, "no escape sequences in a pipe"
    assert f"Files: {archive}" in printed
    assert len(list(archive.glob("Rehearsal 1/*.dng"))) == 2


def test_a_full_disk_is_told_in_words(rehearsed: tuple[Path, str]) -> None:
    with Path("/dev/full").open("w") as full:  # full(4): each write fails with ENOSPC
        done = subprocess.run(
            [*TETHER, "rolls", "--archive", str(rehearsed[0])],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, cwd=ROOT,
        )  # fmt: skip
    assert done.returncode == 1
    assert "the disk is full" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_list_of_rolls_has_the_documented_keys(rehearsed: tuple[Path, str]) -> None:
    archive, _ = rehearsed
    (row,) = rolls(archive)
    assert {"name", "film", "frames_expected", "frames_done", "next"} <= set(row)
    assert (row["frames_expected"], row["frames_done"], row["next"]) == (2, 2, None)
    text = run("rolls", "--archive", archive).stdout
    assert "2 of 2" in text
    assert "complete" in text


def test_unattended_in_a_terminal_shows_a_bar(tmp_path: Path) -> None:
    command = f"rehearse --unattended --frames 1 --archive {tmp_path}"
    child = pexpect.spawn(
        sys.executable, ["-m", "tether", *command.split()], cwd=ROOT, timeout=60,
        dimensions=(24, 80), encoding="utf-8",
    )  # fmt: skip
    child.expect("frame +1")
    child.expect("Files: ")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0


def open_rehearsal(archive: Path) -> pexpect.spawn:
    return pexpect.spawn(
        sys.executable, ["-m", "tether", "rehearse", "--frames", "2", "--archive", str(archive)],
        cwd=ROOT, timeout=60, dimensions=(24, 80), encoding="utf-8",
        env=os.environ | {"TERM": "xterm-256color"},
    )  # fmt: skip


def test_a_killed_rehearsal_goes_on_where_it_was(tmp_path: Path) -> None:
    """The README's first command in a pseudo-terminal, killed after a picture and run again."""
    child = open_rehearsal(tmp_path)
    child.expect("safety film")
    child.send("\r")
    child.expect("the sleeve")
    child.send("\r")
    child.expect("Which bench is this")
    child.send("x")
    child.expect("Blow the holder")
    child.send("z")
    child.expect("Short checklist")
    child.send("\r")
    child.expect("roll's exposure")
    child.send("y")
    child.expect("Hands off")
    child.send("\r")
    child.expect("take 1")
    os.kill(child.pid, signal.SIGKILL)
    child.expect(pexpect.EOF)
    child.close()
    again = open_rehearsal(tmp_path)
    again.expect("frame 1, keep or reshoot")
    again.expect("take 1")
    again.send("k")
    again.expect("shoot frame 2")
    again.send("\x03")
    again.expect("Resume at frame 2: .*rehearse --archive")
    again.expect(pexpect.EOF)
    again.close()
    assert again.exitstatus == 0
    (row,) = rolls(tmp_path)
    assert (row["frames_done"], row["next"]) == (1, "frame 2")
    assert "--archive" in str(row["go_on"])


def test_a_roll_that_was_described_and_not_made_can_be_made_anew(tmp_path: Path) -> None:
    """Without a camera no roll is stored; what was filled in is not lost."""
    words = ["shoot", "Quay 3", "--archive", str(tmp_path), "--camera", "usb:250,250"]
    words += ["--frames", "12", "--frames-per-strip", "4"]  # without --film: the form has them
    child = pexpect.spawn(
        sys.executable, ["-m", "tether", *words], cwd=ROOT, timeout=60, dimensions=(24, 200),
        encoding="utf-8", env=os.environ | {"TERM": "xterm-256color"},
    )  # fmt: skip
    child.expect("A new roll")
    child.send("\x13")
    child.expect("is not made yet")
    child.send("q")
    child.expect(r"The roll 'Quay 3' was not made.*\r\n(\S*tether shoot [^\r\n]*)\r\n")
    command = child.match[1]
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    assert rolls(tmp_path) == []
    again = shlex.split(command)[2:]
    assert again[:4] == ["--archive", str(tmp_path), "--camera", "usb:250,250"]
    taken = app.commands["shoot"].make_context("shoot", again).params
    assert (taken["roll"], taken["film"]) == ("Quay 3", FilmProcess.BW_NEGATIVE)
    assert (taken["film_format"], taken["frames"], taken["frames_per_strip"]) == ("135", 12, 4)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rolls", "--archive", "{tmp}/nowhere"], "There is no archive"),
        (["shoot", "a/b", "--archive", "{tmp}", "--film", "bw-negative"], "cannot hold a slash"),
        (["shoot", "a\x1bb", "--archive", "{tmp}"], "control character"),
        (["shoot", "Quay", "--archive", "{tmp}"], "needs a terminal"),
        (["shoot", "Q", "--archive", "{tmp}", "--film", "bw-negative", "--frames", "0"], "1 to"),
        (["shoot", "Q", "--archive", "{tmp}", "--frames-per-strip", "7"], "Strips of 7"),
        (["rolls", "--archive", "{tmp}/file"], "There is no archive"),
        (["settings", "--settings", "{tmp}/none.toml"], "cannot be read: No such file"),
        (["settings", "--settings", "{tmp}/raw.toml"], "not text in UTF-8"),
        (["shoot", "r" * 300, "--archive", "{tmp}"], "Use a shorter one"),
    ],
)
def test_bad_input_is_answered_in_words(tmp_path: Path, words: list[str], said: str) -> None:
    (tmp_path / "file").write_text("not a folder")
    (tmp_path / "raw.toml").write_bytes(b"II*\0\xfe")
    done = run(*(w.replace("{tmp}", str(tmp_path)) for w in words))
    assert done.returncode == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr


@pytest.mark.parametrize("before", [["shoot", "Quay"], ["measure", "x.dng"], ["web", "rehearse"]])
def test_a_film_that_there_is_not_is_answered_without_the_parsers_words(before: list[str]) -> None:
    done = CliRunner().invoke(app, [*before, "--film", "bw"])
    assert done.exit_code == 2
    assert "'--film': 'bw' is not one of 'bw-negative', " in done.stderr
    assert "Value error" not in done.output


def test_an_archive_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a file where a folder should be")
    done = run("rehearse", "--unattended", "--archive", tmp_path / "file" / "archive")
    assert done.returncode == 1
    assert "cannot be written to" in done.stderr


def test_settings_are_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    assert run("settings", "--write", path).returncode == 0
    assert load(path) == Settings()
    before = path.read_text()
    assert run("settings", "--write", path).returncode == 1, "never overwritten"
    assert path.read_text() == before


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[exposure]\nbase_target_ev = 3.0\n", "outside"),
        ("[exposure]\nbase_target = -1.0\n", "no value"),
        ("[exposures]\n", "no section"),
        ("[exposure]\nbase_target_ev = 'low'\n", "must be a number"),
        ("[exposure\n", "cannot be read"),
    ],
)
def test_bad_settings_are_named(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(text)
    done = run("settings", "--settings", path)
    assert done.returncode == 1
    assert said in done.stderr


def test_a_closed_terminal_leaves_in_order(tmp_path: Path) -> None:
    child = open_rehearsal(tmp_path)
    child.expect("safety film")
    child.send("\r")
    child.expect("the sleeve")
    child.kill(signal.SIGHUP)
    child.expect("Resume at frame 1")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    again = open_rehearsal(tmp_path)
    again.expect("the sleeve")
    # The window itself goes: nothing that is said at the end can be written any more.
    again.ptyproc.fileobj.close()
    _, status = os.waitpid(again.pid, 0)
    again.ptyproc.closed = again.ptyproc.terminated = True
    assert os.waitstatus_to_exitcode(status) == 0


#: The program with a screen that does not end, without a rehearsal: it only looks for a camera.
STUCK = """
import sys
from pathlib import Path

from tether import launch as start
from tether.tui.app import TetherApp

start._SECONDS_TO_LEAVE = 1
TetherApp.exit = lambda *_, **__: None
start.run_screen(start.Start(Path(sys.argv[1]), port="usb:999,999"))
"""


def test_a_screen_that_does_not_end_after_a_hang_up_is_ended_by_the_system(tmp_path: Path) -> None:
    child = pexpect.spawn(
        sys.executable, ["-c", STUCK, str(tmp_path / "archive")],
        cwd=ROOT, timeout=60, dimensions=(24, 80), env=os.environ | {"TERM": "xterm-256color"},
    )  # fmt: skip
    child.expect("roll")
    child.kill(signal.SIGHUP)
    child.expect(pexpect.EOF)
    child.close()
    assert child.signalstatus == signal.SIGALRM


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rehearse", "--frames", "six"], "'six' is not a whole number."),
        (["rehearse", "--frames", "41"], "41 is out of range: 1 to 40."),
        (["rehearse", "--frames", "0"], "0 is out of range: 1 to 40."),
        (["rolls", "--newest", "0"], "0 is out of range: 1 or more."),
        (["plan", "--focal", "long\x1b"], "'long�' is not a number."),
    ],
)
def test_what_is_no_number_is_said_in_plain_words(words: list[str], said: str) -> None:
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 2
    assert said in done.output


def test_ctrl_c_ends_with_the_shells_exit_code_and_no_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tether.cli.archive.run_verify", interrupted)
    done = CliRunner().invoke(app, ["verify"])
    assert (done.exit_code, done.output) == (130, "")
