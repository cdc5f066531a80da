"""The endurance runs in short: a few trials with fixed seeds of what takes hours in full."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance import hostile_archives, network_disk


def test_hostile_databases_and_side_files(tmp_path: Path) -> None:
    """Seeds that once gave a traceback, printed control characters, or were not cured."""
    sound = hostile_archives.sound_archive(tmp_path / "sound")
    for seed in (2, 5, 19, 38, 43, 44, 47, 109, 1012, 1146):
        done, wrong = hostile_archives.run(tmp_path / "trial", sound, seed)
        assert done != []
        assert wrong == [], (seed, done)


def test_two_computers_on_one_network_disk(tmp_path: Path) -> None:
    library = network_disk.made_library(tmp_path)
    if library is None:
        pytest.skip("the model of two computers needs Linux and a C compiler")
    assert network_disk.trial(tmp_path / "trial", library, local=False) == []
