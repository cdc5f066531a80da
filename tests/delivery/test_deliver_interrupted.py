"""A delivery that is stopped from outside: what is finished stays, and nothing is left behind."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.delivery.delivering import Kept, kept_roll

FRAMES = 6


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    roll = kept_roll(tmp_path / "archive", frames=FRAMES, expected=FRAMES)
    yield roll
    roll.archive.close()


#: The command, held when the first positive has been recorded: a fast machine would be done
#: before the signal came.
PROGRAM = """
import signal
import sys
from contextlib import closing

from tether.cli.main import main
from tether.delivery.crew import LocalCrew

each_done = LocalCrew.each_done


def held(self, work, jobs, largest):
    with closing(each_done(self, work, jobs, largest)) as found:
        for outcome in found:
            yield outcome
            if work.__name__ == "print_file":
                sys.stdin.read(1)


LocalCrew.each_done = held
# A job that a shell runs in the background has the signal ignored, and so have its children.
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.exit(main())
"""


class Running:
    """``tether deliver`` as a person runs it, but for its being held after a positive."""

    def __init__(self, kept: Kept) -> None:
        words = ["deliver", kept.roll.name, "--archive", str(kept.archive.root), "--workers", "1"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def after_the_first_positive(self, kept: Kept) -> None:
        """Wait until a positive is recorded."""
        while not printed(kept):
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(0.02)
                pytest.fail(f"it ended before: {self.ended()}")

    def ended(self) -> str:
        """Return what it said. Its workers hold the same pipe: when it closes all are gone."""
        with self.process:
            assert self.process.stdout is not None
            return self.process.stdout.read()


def printed(kept: Kept) -> set[str]:
    record = kept.folder / "delivered" / "delivery.json"
    return set(json.loads(record.read_text("utf-8"))["printed"]) if record.exists() else set()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_a_delivery_that_is_stopped_goes_on_where_it_was(kept: Kept, how: signal.Signals) -> None:
    running = Running(kept)
    running.after_the_first_positive(kept)
    running.process.send_signal(how)
    said = running.ended()
    if how is signal.SIGINT:
        assert running.process.returncode == 1
        assert "Interrupted" in said
        assert "to resume" in said
        assert "Traceback" not in said
    finished = printed(kept)
    assert len(finished) == 1, "it was stopped on the way"
    before = {
        path: path.stat().st_mtime_ns
        for path in (kept.folder / "delivered" / "positives").iterdir()
        if f"{path.stem}.dng" in finished
    }
    again = kept.deliver(half=False)
    assert (again.printed, again.unchanged) == (FRAMES - len(finished), len(finished))
    assert {path: path.stat().st_mtime_ns for path in before} == before
    assert not list(again.folder.rglob(".new-*")), "no half file is left"
    assert {step.phase for step in kept.steps} <= {"print", "reports"}, "nothing is checked again"
