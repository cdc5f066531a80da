"""The commands for what is known of rolls, as a person gives them."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tether.archive.archive import Archive
from tether.archive.open_roll import hold_roll
from tether.archive.records import NewRoll
from tether.cli.main import app
from tether.errors import TetherError
from tether.film import FilmProcess


@pytest.fixture
def root(tmp_path: Path) -> Path:
    with closing(Archive(tmp_path / "archive")) as made:
        made.store.rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE, frames_expected=6))
    return tmp_path / "archive"


def run(root: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [words[0], "--archive", str(root), *words[1:]])


def test_facts_are_changed_shown_and_taken_back(root: Path) -> None:
    done = run(root, "edit", "Harbour", "photographer=A. Field", "Film-Stock==?", "people=Ann; Bo")
    assert done.output == "photographer: A. Field\npeople: Ann; Bo\nfilm stock: =?\n"
    run(root, "edit", "Harbour", "--frame", "2", "caption=Quay\nat dawn")
    shown = run(root, "edit", "Harbour").output
    assert "film_stock        =?" in shown
    assert "frame 2           caption: Quay at dawn" in shown
    found = json.loads(run(root, "edit", "Harbour", "--json").output)
    assert found["version"] == 1
    assert found["description"]["people"] == ["Ann", "Bo"]
    assert found["frames"] == [{"frame": 2, "note": "", "caption": "Quay at dawn"}]
    assert json.loads((root / "Harbour" / "roll.json").read_text())["description"]["people"]
    assert "Taken back: edit Harbour, frame 2" in run(root, "edit", "Harbour", "--undo").output
    assert "Taken back: edit Harbour (1" in run(root, "edit", "Harbour", "--undo").output
    assert "photographer\n" in run(root, "edit", "Harbour").output
    assert isinstance(run(root, "edit", "Harbour", "--undo").exception, TetherError)


def test_a_change_to_the_same_stores_nothing(root: Path) -> None:
    assert "it is so already" in run(root, "edit", "Harbour", "frames=6").output
    assert isinstance(run(root, "edit", "Harbour", "--undo").exception, TetherError)


@pytest.mark.parametrize(
    "words",
    [("photographer",), ("a=b",), ("--frame", "7", "caption=x"), ("a=b", "--undo"), ("date=soon",)],
)
def test_what_is_not_understood_changes_nothing(root: Path, words: tuple[str, ...]) -> None:
    done = run(root, "edit", "Harbour", *words)
    assert done.exit_code
    assert not json.loads(run(root, "edit", "Harbour", "--json").output)["description"]


def test_a_roll_at_work_elsewhere_takes_words_but_keeps_its_film(root: Path) -> None:
    with closing(Archive(root)) as archive:
        lock = hold_roll(archive, archive.store.rolls.named("Harbour"))
        try:
            done = run(root, "edit", "Harbour", "place=Quay")
            assert "written at the next start" in done.output
            refused = run(root, "edit", "Harbour", "film=slide")
            assert type(refused.exception).__name__ == "RollBusy"
        finally:
            lock.release()
    found = json.loads(run(root, "edit", "Harbour", "--json").output)
    assert (found["film"], found["description"]) == ("bw-negative", {"place": "Quay"})


def test_no_archive_is_made_by_an_edit(tmp_path: Path) -> None:
    assert isinstance(run(tmp_path / "none", "edit", "Harbour", "place=x").exception, TetherError)
    assert not (tmp_path / "none").exists()


def test_a_fact_that_is_wrong_is_said_before_the_screen_opens(root: Path) -> None:
    done = run(root, "shoot", "Quay", "--film", "transparency", "--fact", "date=soon")
    assert "'soon' is not a date" in str(done.exception)


def test_rolls_are_found_by_any_word_of_theirs(root: Path) -> None:
    run(root, "edit", "Harbour", "place=Quay", "date=1987", "box=12")
    for frame in range(1, 7):
        run(root, "edit", "Harbour", "--frame", str(frame), f"caption=港の朝 {frame}")
    text = run(root, "find", "朝").output
    assert text.startswith("Harbour   1987   Quay   box 12\n    frame 1: 港の朝 1\n")
    assert text.endswith("    frame 5: 港の朝 5\n    and 1 frame more\n")
    shown = json.loads(run(root, "find", "朝", "--json").output)
    assert (shown["version"], shown["more"]) == (1, False)
    assert shown["rolls"][0]["frames"][5] == {"frame": 6, "note": "", "caption": "港の朝 6"}
    assert run(root, "find", "mole").output == "Nothing found.\n"
    for words in ((), ("--json",), ("a", "--csv", "--json")):
        assert run(root, "find", *words).exit_code == 2


def test_a_list_is_previewed_imported_and_taken_back(root: Path, tmp_path: Path) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text("Roll;Place;Mark\nHarbour;Quay;1\nMole;Pier;2\nPier;soon;3\n;x;4\n")
    shown = run(root, "import", str(listed))
    assert "Mark (name them with --column" in shown.output
    assert "2 new rolls for the list, 1 roll or frame with new facts" in shown.output
    assert "Line 5 (no name)" in shown.output
    assert "Nothing was imported" in shown.output
    assert not (root / "waiting.jsonl").exists()
    done = run(root, "import", str(listed), "--column", "Mark=identifiers", "--yes")
    assert "Imported: 3 changes" in done.output
    assert len((root / "waiting.jsonl").read_text().splitlines()) == 2
    assert "2 rolls waiting, next: Mole" in run(root, "rolls").output
    assert "identifiers       2" in run(root, "edit", "Mole").output
    run(root, "edit", "Mole", "film=slide")
    assert isinstance(run(root, "edit", "Mole", "--frame", "1", "caption=x").exception, TetherError)
    listed.write_bytes(run(root, "find", "--csv").stdout_bytes)
    assert "Nothing to import" in run(root, "import", str(listed), "--yes").output
    assert run(root, "find", "pier", "--csv").stdout_bytes.count(b"\r\n") == 3
    undone = run(root, "import", "--undo").output
    assert "A change of later stays: edit Mole." in undone
    assert isinstance(run(root, "import", "--undo").exception, TetherError)
    assert run(root, "import").exit_code == 2


def test_the_list_is_narrowed(root: Path) -> None:
    with closing(Archive(root)) as archive:
        archive.store.rolls.add(NewRoll("Mole", FilmProcess.BW_NEGATIVE, frames_expected=2))
        archive.store.journal.all_fall_behind()
        archive.store.journal.catch_up(1, 1)
    run(root, "edit", "Mole", "box=7")
    assert "Mole" in run(root, "rolls", "--box", "7").output.splitlines()[0]
    assert "No such roll." in run(root, "rolls", "--box", "8").output
    assert [r["name"] for r in json.loads(run(root, "rolls", "--no-copy", "--json").output)]
    assert json.loads(run(root, "rolls", "--to-check", "--json").output) == []
    assert json.loads(run(root, "rolls", "--not-delivered", "--json").output) == []


def test_a_day_s_account_is_json_too(root: Path) -> None:
    shown = json.loads(run(root, "day", "--date", "2027-05-31", "--json").output)
    assert (shown["version"], shown["day"], shown["frames"]) == (1, "2027-05-31", 0)
    assert "2027-05-31: no frame" in run(root, "day", "--date", "2027-05-31").output
    assert run(root, "day", "--date", "soon").exit_code == 2
