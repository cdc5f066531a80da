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
