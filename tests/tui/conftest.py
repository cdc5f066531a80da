"""What the program is given in the tests of its screens: the simulated camera and its hand."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tether_simulator.server import BenchProcess

import tether.tui
from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.database import Database
from tether.archive.records import Roll
from tether.bench.benches import BenchBook, BenchSetup
from tether.camera.process import connect
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.tui.app_context import AppContext


@pytest.fixture
def archive(archive: Archive) -> Archive:
    """An archive that knows its bench: the screen opens at the worktable, not at the walk."""
    BenchBook(archive.store).keep(BenchSetup("Table 1"))
    return archive


@pytest.fixture
def given(archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess) -> AppContext:
    return AppContext(
        archive=archive,
        connect=lambda port: connect(port, QUICK.camera),
        judge=judge,
        settings=QUICK,
        port=bench.port_name,
        roll=roll.name,
        simulated=SimulatedHand(bench, roll),
    )


@pytest.fixture(autouse=True)
def no_screen_asks_the_store(monkeypatch: pytest.MonkeyPatch) -> None:
    """In every test of screens the store refuses code of `tether.tui` on the screen's thread."""
    screens, here = str(Path(tether.tui.__file__).parent), threading.main_thread()

    def guarded(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            if threading.current_thread() is here:
                frame = sys._getframe(1)
                while frame is not None:
                    file = frame.f_code.co_filename
                    assert not file.startswith(screens), f"{file}:{frame.f_lineno} asks the store"
                    frame = frame.f_back  # type: ignore[assignment]
            return real(*args, **kwargs)

        return call

    for name in ("all", "one", "change"):
        monkeypatch.setattr(Database, name, guarded(getattr(Database, name)))
