"""What is in the working directory is never taken for a part of the program."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tether.web.guard import listen
from tether.web.serve import BenchServer

SCRIPT = f"""#!{sys.executable}
import sys
from tether.cli.main import main
if __name__ == "__main__":
    sys.exit(main())
"""
"""The command as an installer writes it (packaging.python.org, "Entry points specification")."""

NAMES = ("click", "numpy", "rawpy", "textual", "tether", "tether_simulator", "string", "mocks")


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """A folder whose files stop every program that imports them."""
    folder = tmp_path / "here"
    for name in NAMES:
        (folder / name).mkdir(parents=True)
        (folder / name / "__init__.py").write_text(f"raise SystemExit('{name} of this folder')\n")
    (folder / "click.py").write_text("raise SystemExit('click of this folder')\n")
    return folder


@pytest.fixture
def tether(tmp_path: Path) -> Path:
    """The command, in a folder of its own."""
    script = tmp_path / "bin" / "tether"
    script.parent.mkdir()
    script.write_text(SCRIPT)
    script.chmod(0o755)
    return script


def test_these_files_would_stop_a_program(hostile: Path) -> None:
    program = [sys.executable, "-c", "import mocks"]
    done = subprocess.run(program, cwd=hostile, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (1, "mocks of this folder\n")


def test_a_rehearsal_and_a_delivery_with_all_their_workers(
    hostile: Path, tether: Path, tmp_path: Path
) -> None:
    archive = ["--archive", str(tmp_path / "archive")]
    for words in (
        ["rehearse", "--unattended", "--frames", "1", *archive],
        ["deliver", "Rehearsal 1", "--workers", "2", *archive],
    ):
        done = subprocess.run(
            [tether, *words], cwd=hostile, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert "of this folder" not in done.stdout + done.stderr
    assert list(tmp_path.glob("archive/**/positives/*"))


def test_help(hostile: Path, tether: Path) -> None:
    done = subprocess.run(
        [tether, "--help"], cwd=hostile, capture_output=True, text=True, check=True
    )
    assert "rehearse" in done.stdout


def test_a_program_that_a_page_starts(hostile: Path) -> None:
    # As textual-serve starts it: through a shell, in the working directory of the server.
    with listen(0) as listening:
        command = BenchServer(["rehearse", "--help"], listening).command
    done = subprocess.run(
        command, shell=True, cwd=hostile, capture_output=True, text=True, check=True
    )
    assert "simulated camera" in done.stdout
