"""Lists of rolls: pages of them, all of them as JSON, and which one to go on with."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from tether.archive.archive import REHEARSAL_CARD, Archive
from tether.archive.records import FrameState, NewRoll
from tether.archive.rolls import RollFilter
from tether.archive.store import options_of, remember_options
from tether.cli.main import app
from tether.film import FilmProcess
from tether.launch import Start
from tether.rehearsal import Rehearsal, again, find_roll
from tether.reports.rolls import (
    go_on,
    leaving_text,
    listing,
    listing_json,
    listing_text,
    not_made,
)


@pytest.fixture
def rolls(tmp_path: Path) -> Iterator[Archive]:
    """Seven rolls of two frames: the odd ones are complete, of the second one frame is done."""
    archive = Archive(tmp_path / "archive")
    for number in range(1, 8):
        film = FilmProcess.TRANSPARENCY if number == 4 else FilmProcess.BW_NEGATIVE
        roll = archive.store.rolls.add(NewRoll(f"-Roll {number}", film, frames_expected=2))
        for frame in range(1, 3 if number % 2 else 2 if number == 2 else 1):
            archive.store.frames.decide(roll.id, frame, FrameState.BLANK)
    yield archive
    archive.close()


def test_a_list_to_read_is_a_page(rolls: Archive) -> None:
    text = listing_text(rolls, 3).splitlines()
    assert text[0] == "… 4 older rolls: --newest 7"
    assert [line.split("  ")[0] for line in text[1:4]] == ["-Roll 5", "-Roll 6", "-Roll 7"]
    assert text[1].endswith("2 of 2    complete")
    assert text[2].endswith("0 of 2    next: frame 1")
    assert text[4] == "7 rolls, 9 of 14 frames done."
    assert text[5].endswith(f"--archive {rolls.root} -- '-Roll 6'")
    open_ones = listing_text(rolls, 2, RollFilter(unfinished=True)).splitlines()
    assert open_ones[0] == "… 1 older roll: --newest 3"
    assert "-Roll 4" in open_ones[1]
    assert listing_text(rolls, 200).count("\n") == 8


def test_going_on_takes_the_options_of_the_last_start(rolls: Archive) -> None:
    given = ("--camera", "ptpip:192.0.2.7:15740", "--settings", "/home/you/my bench.toml")
    remember_options(rolls.store, given)
    command = go_on(rolls, "Harbour 1987")
    assert shlex.split(command)[-7:] == ["--archive", str(rolls.root), *given, "Harbour 1987"]
    assert listing_text(rolls, 200).splitlines()[-1] == f"Resume: {go_on(rolls, '-Roll 6')}"
    assert f"Resume at frame 1: {go_on(rolls, '-Roll 6')}" in leaving_text(rolls, "-Roll 6")
    # The next start names no camera: neither does the command.
    remember_options(rolls.store, ())
    assert "--camera" not in go_on(rolls, "Harbour 1987")


@pytest.mark.parametrize(
    "stored", ["[1, 2]", '["--camera"]', '["\\u001b[2J"]', '{"--camera": "x"}', "nothing"]
)
def test_options_that_this_program_did_not_store_are_left_out(rolls: Archive, stored: str) -> None:
    rolls.store.set_fact("options of the last start", stored)
    assert options_of(rolls.store) == ()
    assert go_on(rolls, "Harbour").endswith(f"--archive {rolls.root} Harbour")


def test_each_command_is_given_the_options_that_it_takes(rolls: Archive) -> None:
    remember_options(rolls.store, ("--camera", "usb:", "--seed", "4", "--settings", "/own.toml"))
    assert go_on(rolls, "Harbour").endswith(
        f"{rolls.root} --camera usb: --settings /own.toml Harbour"
    )
    (rolls.root / REHEARSAL_CARD).mkdir()
    assert go_on(rolls, "Harbour").endswith(f"{rolls.root} --seed 4 --settings /own.toml Harbour")


def test_commands_of_a_nasty_or_long_path_steer_no_terminal_and_are_whole(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "a\x1b[2J")
    remember_options(archive.store, ("--settings", "/" + "d" * 600))
    for name, left in (("Quay", FrameState.BLANK), ("Harbour", FrameState.OPEN)):
        roll = archive.store.rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE, frames_expected=1))
        archive.store.frames.decide(roll.id, 1, left)
        said = leaving_text(archive, name)
        assert "\x1b" not in said
    assert listing_text(archive, 200).endswith("d" * 600 + " Harbour")
    assert "\x1b" not in listing_text(archive, 200)
    archive.close()


def test_what_is_stored_ends_nothing_in_the_shell(rolls: Archive) -> None:
    remember_options(rolls.store, ("--camera", "x; rm -rf ~"))
    assert shlex.split(go_on(rolls, "Harbour"))[-2] == "x; rm -rf ~"


def test_the_command_line_hands_its_options_on(
    rolls: Archive, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    started: list[Start] = []
    monkeypatch.setattr("tether.launch.run_screen", started.append)
    file = tmp_path / "own.toml"
    file.write_text("")
    line = ["shoot", "Harbour", "--archive", str(rolls.root), "--camera", "usb:001,004"]
    CliRunner().invoke(app, [*line, "--settings", str(file)], catch_exceptions=False)
    CliRunner().invoke(app, ["shoot", "Harbour"], catch_exceptions=False)
    assert [start.again for start in started] == [
        ("--camera", "usb:001,004", "--settings", str(file)),
        (),
    ]


def test_a_rehearsal_stands_there_again_with_its_pictures_and_settings(tmp_path: Path) -> None:
    file = tmp_path / "strobe.toml"
    assert again(Rehearsal()) == ()
    assert again(Rehearsal(seed=4, settings_file=file)) == (
        "--seed", "4", "--settings", str(file)
    )  # fmt: skip


def test_a_roll_that_was_not_made_is_made_by_the_command_that_is_said(
    rolls: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    remember_options(rolls.store, ("--camera", "usb:001,004"))
    (rolls.root / REHEARSAL_CARD).mkdir()  # a roll of one's own is no rehearsal all the same
    started: list[Start] = []
    monkeypatch.setattr("tether.launch.run_screen", started.append)
    for notes in ("", "two wet; $HOME"):
        new = NewRoll("-Quay '3'", FilmProcess.TRANSPARENCY, "120-6x6", 12, 3, notes)
        said, command = not_made(rolls, new).splitlines()
        assert said.startswith("The roll '-Quay '3'' was not made")
        words = shlex.split(command)
        CliRunner().invoke(app, words[words.index("shoot") :], catch_exceptions=False)
        assert started[-1].new == new
        assert started[-1].archive == rolls.root
        assert started[-1].again == ("--camera", "usb:001,004")


def test_an_archive_without_rolls(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "archive")
    assert "No rolls in the archive yet" in listing_text(archive, 200)
    assert json.loads("".join(listing_json(listing(archive)))) == []
    archive.close()


def test_the_list_for_programs_has_all_of_them(rolls: Archive) -> None:
    rows = json.loads("".join(listing_json(listing(rolls))))
    assert [row["name"] for row in rows] == [f"-Roll {n}" for n in range(1, 8)]
    assert rows == list(listing(rolls))
    second = rows[1]
    assert second["folder"] == str(rolls.folder(rolls.store.rolls.named("-Roll 2")))
    assert (second["frames_done"], second["next"]) == (1, "frame 2")
    assert second["go_on"].endswith("-- '-Roll 2'")
    assert rows[0]["go_on"] is None
    assert [r["name"] for r in listing(rolls, 2, RollFilter(unfinished=True))] == [
        "-Roll 4",
        "-Roll 6",
    ]
    (rolls.root / REHEARSAL_CARD).mkdir()
    assert " rehearse --archive " in next(listing(rolls, 1, RollFilter(unfinished=True)))["go_on"]


def test_a_roll_that_was_gone_to_says_that_frame_next(rolls: Archive) -> None:
    roll = rolls.store.rolls.named("-Roll 1")
    rolls.store.rolls.set_cursor(roll.id, 2)
    assert next(listing(rolls))["next"] == "frame 2"
    assert rolls.store.rolls.progress(1, before=2)[0].next_frame == 2


def test_what_the_screen_offers(rolls: Archive) -> None:
    """The newest ones, and of the others those that are unfinished."""
    found = [p.roll.name[-1] for p in rolls.store.rolls.at_hand(2)]
    assert found == ["4", "6", "7"]
    assert [p.roll.name[-1] for p in rolls.store.rolls.unfinished()] == ["6", "4", "2"]


def test_the_rehearsal_goes_on_with_the_newest_unfinished_roll_of_its_film(rolls: Archive) -> None:
    (rolls.root / REHEARSAL_CARD).mkdir()
    slides = Rehearsal(film=FilmProcess.TRANSPARENCY)
    assert find_roll(rolls, slides).name == "-Roll 4"
    assert find_roll(rolls, Rehearsal(film=FilmProcess.BW_NEGATIVE)).name == "-Roll 6"
    assert find_roll(rolls, Rehearsal(film=FilmProcess.COLOUR_NEGATIVE)).name == "Rehearsal 8"
    fresh = Rehearsal(film=FilmProcess.BW_NEGATIVE, fresh=True)
    assert find_roll(rolls, fresh).name == "Rehearsal 9"


def test_more_unfinished_rolls_than_a_page(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "archive")
    with archive.store.database.change() as db:
        db.executemany(
            "INSERT INTO roll (name, folder, process, format_key, frames_expected, strip_length, "
            "created_at) VALUES (?1, ?1, 'bw-negative', '135', 36, 6, 'then')",
            [(f"{n:03d}",) for n in range(250)],
        )
    names = [p.roll.name for p in archive.store.rolls.unfinished()]
    assert names == [f"{n:03d}" for n in reversed(range(250))]
    archive.close()
