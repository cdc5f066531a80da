"""The command `doctor`: what it finds, what a report leaves out, and the log that it sends."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import tempfile
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from tether_simulator.server import BenchProcess

from tether import log_file
from tether.archive.archive import Archive
from tether.archive.file_system import FileSystem
from tether.archive.records import NewRoll
from tether.camera.errors import NoCamera
from tether.camera.protocol import CameraIdentity
from tether.cli import doctor
from tether.cli.main import app
from tether.film import FilmProcess
from tether.log_file import LARGEST, OLDER, begin_log, driver_log, log_folder

ROOT = Path(__file__).parents[2]
SECRET = "Wedding of a friend"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    with closing(Archive(tmp_path / "archive")) as made:
        made.store.rolls.add(NewRoll(SECRET, FilmProcess.BW_NEGATIVE))
    return tmp_path / "archive"


def found(root: Path, *more: str) -> tuple[int, dict[str, dict[str, str]]]:
    done = CliRunner().invoke(app, ["doctor", "--archive", str(root), "--json", *more])
    rows = json.loads(done.stdout)
    documented = (
        (ROOT / "docs" / "json.md")
        .read_text("utf-8")
        .split("tether doctor --json", 1)[1]
        .split("\n## ")[0]
    )
    for row in rows:
        assert [
            key for key in (*row, row["check"], row["status"]) if f"`{key}`" not in documented
        ] == []
    return done.exit_code, {row["check"]: row for row in rows}


def test_all_is_well(root: Path) -> None:
    code, checks = found(root)
    assert code == 0
    assert {"program", "libraries", "settings", "archive", "disk", "room", "log"} <= {
        name for name, check in checks.items() if check["status"] == "ok"
    }
    assert "libgphoto2 2." in checks["libraries"]["text"]
    assert "LibRaw 0." in checks["libraries"]["text"]
    text = CliRunner().invoke(app, ["doctor", "--archive", str(root)]).output
    assert "✓ archive" in text


def test_the_simulated_cameras_clock_is_compared(root: Path, bench: BenchProcess) -> None:
    _, checks = found(root, "--camera", bench.port_name)
    assert "clock" in checks["clock"]["text"]
    assert checks["clock"]["status"] in ("ok", "look")


def test_what_is_in_the_way_is_named_with_what_to_do(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "wrong.toml").write_text("[exposure]\nbase_target_ev = 'high'\n")

    def full(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    def refused(_error: NoCamera, _port: str) -> NoCamera:
        return NoCamera("This account may not use it.", todo="Install the rules.")

    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    monkeypatch.setattr(
        doctor, "find_cameras", lambda _: [CameraIdentity("A camera", "usb:250,250")]
    )
    monkeypatch.setattr(doctor, "not_allowed", refused)
    code, checks = found(root, "--settings", str(tmp_path / "wrong.toml"))
    assert code == 1
    for name in ("settings", "disk", "udev rule", "clock"):
        assert checks[name]["status"] == "wrong", name
        assert checks[name]["action"], name
    assert checks["camera"]["text"] == "A camera at usb:250,250."


def test_an_archive_on_a_network_disk_is_said(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "file_system_of", lambda _: FileSystem("nfs4"))
    code, checks = found(root)
    assert (code, checks["disk"]["status"]) == (0, "look")
    assert "network disk (nfs4)" in checks["disk"]["text"]


def test_a_report_has_no_pictures_and_no_names(root: Path, tmp_path: Path) -> None:
    (root / "picture.dng").write_bytes(b"picture")
    CliRunner().invoke(app, ["rolls", "--archive", str(root)])
    log = logging.getLogger("tether")
    log.info("The roll '%s' in %s: the camera's card and the roll's folder.", SECRET, root)
    log.info("There is no roll 'Somebody else'.")
    report = tmp_path / "report.zip"
    asked = ["doctor", "--archive", str(root), "--report"]
    assert CliRunner().invoke(app, [*asked, str(report)]).exit_code == 0
    with zipfile.ZipFile(report) as file:
        texts = {name: file.read(name).decode("utf-8") for name in file.namelist()}
    assert sorted(texts) == ["doctor.json", "doctor.txt", "settings.toml", "tether.log"]
    for text in texts.values():
        for hidden in (SECRET, "Somebody else", str(root), str(Path.home())):
            assert hidden not in text
    assert "the camera's card and the roll's folder." in texts["tether.log"]
    assert "base_target_ev" in texts["settings.toml"]
    again = CliRunner().invoke(app, [*asked, str(report)])
    assert "was not written" in str(again.exception)
    named = tmp_path / "named.zip"
    CliRunner().invoke(app, [*asked, str(named), "--names"])
    with zipfile.ZipFile(named) as file:
        assert SECRET in file.read("tether.log").decode("utf-8")


def test_log_files_stay_small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_file, "LARGEST", 2000)
    begin_log("info")
    for number in range(200):
        logging.getLogger("tether").info("line %d of many, with some words in it", number)
    files = log_file.log_files()
    assert len(files) == 1 + OLDER
    assert all(path.stat().st_size <= 2000 for path in files)
    assert "line 199" in (log_folder() / "tether.log").read_text("utf-8")
    begin_log("info")


def test_a_log_that_cannot_be_written_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    (Path.home() / ".local").write_text("a file where a folder should be")
    begin_log("debug")
    logging.getLogger("tether").error("lost")
    assert driver_log() is None


def test_the_driver_s_own_messages_are_kept_on_demand(root: Path, bench: BenchProcess) -> None:
    done = CliRunner().invoke(
        app, ["--log", "debug", "doctor", "--archive", str(root), "--camera", bench.port_name]
    )
    assert "clock" in done.output
    assert "gphoto2" in (log_folder() / "camera.log").read_text("utf-8", "replace")


def test_a_fault_of_the_program_goes_to_the_log_and_not_to_the_screen(tmp_path: Path) -> None:
    program = (
        "import sys; from tether.cli import archive, main; "
        "archive.run_rebuild = lambda *_, **__: 1 / 0; sys.argv = ['tether', 'rebuild']; "
        "main.main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": f"{ROOT}:{ROOT / 'mocks'}"},
    )  # fmt: skip
    assert done.returncode == 1
    assert "Traceback" not in done.stderr + done.stdout
    log = log_folder() / "tether.log"
    assert str(log) in done.stderr
    assert "ZeroDivisionError" in log.read_text("utf-8")
    assert LARGEST == 1_000_000, "as docs/how-to-report-a-problem.md says"
