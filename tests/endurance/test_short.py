"""The endurance runs in short: a few trials with fixed seeds of what takes hours in full."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance import (
    hostile_archives,
    hostile_raw_files,
    hostile_settings,
    kills,
    network_disk,
    power,
    power_cuts,
    results,
)
from tests.endurance.trial import Trial
from tether.settings_file import render


def test_hostile_databases_and_side_files(tmp_path: Path) -> None:
    """Seeds that once gave a traceback, printed control characters, or were not cured."""
    sound = hostile_archives.sound_archive(tmp_path / "sound")
    for seed in (2, 5, 19, 38, 43, 44, 47, 109, 1012, 1146, 10929, 11426, 11540):
        done, wrong = hostile_archives.run(tmp_path / "trial", sound, seed)
        assert done != []
        assert wrong == [], (seed, done)


def test_hostile_raw_files(tmp_path: Path) -> None:
    sound = hostile_raw_files.sound_files()
    assert hostile_raw_files.run(tmp_path, sound, range(1, 31)) == {}


def test_hostile_settings(tmp_path: Path) -> None:
    text = render()
    for seed in range(30):
        data = hostile_settings.changed(text, seed)
        assert hostile_settings.run(tmp_path / "settings.toml", data) == [], seed


def test_two_computers_on_one_network_disk(tmp_path: Path) -> None:
    library = network_disk.made_library(tmp_path)
    if library is None:
        pytest.skip("the model of two computers needs Linux and a C compiler")
    assert network_disk.trial(tmp_path / "trial", library, local=False) == []


def test_killed_at_points_all_over_a_roll(tmp_path: Path) -> None:
    trial = Trial(tmp_path, 5)
    try:
        # Strides that share no divisor with what repeats from frame to frame: each run dies in
        # another kind of step. Ever later points let each run come further than the last.
        for point in (*range(3, 60, 7), *range(31, 180, 13)):
            if trial.run("roll", 3, kill_at=point) >= 0:
                break
        trial.run("roll", 3)
        assert trial.kills >= 10
        assert trial.check("roll") == []
    finally:
        trial.close()


def test_kills_of_program_workers_and_camera(tmp_path: Path) -> None:
    # Whether a kill strikes before a roll is done hangs on the machine: rolls until one did.
    for seed in range(7, 19):
        trial = Trial(tmp_path / str(seed), seed)
        try:
            roll = kills.Roll(trial, seed)
            roll.work()
        finally:
            trial.close()
        assert roll.wrong == []
        if roll.counts["kills"] > 0:
            return
    pytest.fail("no kill struck in twelve rolls")


def test_power_cuts_on_real_disks(tmp_path: Path) -> None:
    if why := power.can_mount(tmp_path):
        pytest.skip(why)
    trial, disks = power_cuts.on_disks(tmp_path, 2, "ordered", "")
    try:
        roll = power_cuts.Roll(trial, disks, 2)
        roll.work()
        assert roll.wrong == []
        assert roll.cuts > 0
    finally:
        trial.close()
        for disk in disks:
            disk.unmount()


def test_the_checks_find_what_was_taken_out_of_the_program(tmp_path: Path) -> None:
    """A picture that is recorded, and of which nothing says that it is still to be copied."""
    trial = Trial(tmp_path, 3, copy=tmp_path / "copy", without="copy-note")
    try:
        for point in range(165, 300, 7):
            trial.run(str(point), 2, kill_at=point)
            if wrong := trial.check_claims(str(point)):
                break
        assert any("untrue" in what for what in wrong)
    finally:
        trial.close()


def test_pieces_of_a_long_run_add_up(tmp_path: Path) -> None:
    out = tmp_path / "results.jsonl"
    results.add(out, "kills", (1, 3), {"kills": 1200}, {})
    results.add(out, "kills", (4, 4), {"kills": 800}, {"4": ["lost: x"]})
    results.add(out, "kills", (9, 9), {"kills": 5}, {"9": ["lost: y"]}, without="any-flush")
    table = results.table(results.read(out))
    assert "| kills | 2,000 kills | 0 | 1 |" in table
    results.add(out, "kills", (4, 4), {"kills": 800}, {})
    assert "| kills | 2,000 kills | 1 | 0 |" in results.table(results.read(out)), "run again"
    assert "| any-flush | 1 (kills: 5 kills) | 1 |" in table
