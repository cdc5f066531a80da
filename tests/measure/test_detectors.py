"""A few whole rolls: careful work raises no alarm, and what went wrong is told.

The same rolls, many more of them, make the table in docs/evidence/detectors.md
(``python -m tests.benchmarks.measure_detectors``).
"""

from __future__ import annotations

import pytest

from tests.benchmarks.measure_detectors import Table, careful_roll, roll
from tether.film import FilmProcess

SIZE = (1536, 1024)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_a_careful_roll_raises_no_alarm(process: FilmProcess) -> None:
    table = Table()
    careful_roll(process, "rebate", 41, SIZE, table, frames=5)
    assert table.clean == 5
    assert table.false == {}


@pytest.mark.parametrize("mishap", ["lamp-dim", "blank", "not-advanced", "half-way", "slipped"])
def test_a_mishap_on_a_negative_is_told(mishap: str) -> None:
    table = Table()
    roll(FilmProcess.BW_NEGATIVE, "rebate", 43, SIZE, table, only=mishap, frames=5)
    assert table.made[mishap] == 1
    assert table.found[mishap] == 1
