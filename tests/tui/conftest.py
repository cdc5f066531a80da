"""What the program is given in the tests of its screens: the simulated camera and its hand."""

from __future__ import annotations

import pytest
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.bench.benches import BenchBook, BenchSetup
from tether.camera import connect
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.tui.app_context import Given


@pytest.fixture
def archive(archive: Archive) -> Archive:
    """An archive that knows its bench: the screen opens at the worktable, not at the walk."""
    BenchBook(archive.store).keep(BenchSetup("Table 1"))
    return archive


@pytest.fixture
def given(archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess) -> Given:
    return Given(
        archive=archive,
        connect=lambda port: connect(port, QUICK.camera),
        judge=judge,
        settings=QUICK,
        port=bench.port_name,
        roll=roll.name,
        hand=SimulatedHand(bench, roll),
    )
