"""A list of rolls: what it would change, line by line, and that it comes out as it went in."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.archive.conftest import Desk
from tether.archive.edits import edit_frame
from tether.archive.roll_list import ListPlan, match_headings, plan_list, written_list
from tether.archive.store import Store
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.spreadsheet import Table, read_table


def table(text: str, tmp_path: Path) -> Table:
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    return read_table(path)


def planned(store: Store, text: str, tmp_path: Path) -> ListPlan:
    found = table(text, tmp_path)
    return plan_list(store, found, match_headings(found, {}))


def names(store: Store) -> list[str]:
    return [roll.new.name for roll in store.waiting.all()]


@pytest.fixture
def store(desk: Desk) -> Store:
    session = desk.session("Harbour", frames=3)
    desk.work(session, keep=1)
    session.close()
    return desk.archive().store


def test_a_thousand_rolls_wait_in_their_order(store: Store, tmp_path: Path) -> None:
    lines = [f"Roll {n},{1900 + n % 99},slide,Box {n % 7}" for n in range(1000)]
    plan = planned(store, "\n".join(["Roll,Year,Film type,Box no", *lines]), tmp_path)
    store.edits.apply("import list.csv", plan.edits(overwrite=False))
    assert names(store) == [f"Roll {n}" for n in range(1000)]
    first = store.waiting.next()
    assert first is not None
    assert (first.new.description.date, first.new.description.box) == ("1900", "Box 0")
    assert first.new.process is FilmProcess.TRANSPARENCY
    batch = store.edits.last_called("import ")
    assert batch is not None
    assert store.edits.take_back(batch[0]).count == 1000
    assert names(store) == []


def test_headings_are_matched_or_named(tmp_path: Path) -> None:
    found = table("Film No.;Creator;Film_Stock;Signature;\nx;y;z;s;\n", tmp_path)
    matched = match_headings(found, {})
    assert matched.columns == {0: "name", 1: "photographer", 2: "film_stock"}
    assert matched.unknown == ("Signature",)
    assert match_headings(found, {"signature": "identifiers"}).columns[3] == "identifiers"
    for wrong in ({"signature": "colour"}, {"none": "box"}, {"signature": "name"}):
        with pytest.raises(TetherError, match=r"Its headings|--column"):
            match_headings(found, wrong)
    with pytest.raises(TetherError, match="rolls' names"):
        match_headings(table("Place\nQuay\n", tmp_path), {})


def test_nothing_is_overwritten_unasked(store: Store, tmp_path: Path) -> None:
    text = "name,place,subject\nHarbour,Mole,\n"
    store.edits.apply("import a", planned(store, text, tmp_path).edits(overwrite=False))
    plan = planned(store, "name,place,subject\nHarbour,Quay,Boats\n", tmp_path)
    assert [(w, c.key, c.before, c.after) for w, c in plan.differing] == [
        ("Harbour", "place", "Mole", "Quay")
    ]
    store.edits.apply("import b", plan.edits(overwrite=False))
    said = store.rolls.named("Harbour").description
    assert (said.place, said.subject) == ("Mole", "Boats")
    store.edits.apply("import c", planned_again(store, tmp_path).edits(overwrite=True))
    assert store.rolls.named("Harbour").description.place == "Quay"
    assert planned_again(store, tmp_path).unchanged == 1


def planned_again(store: Store, tmp_path: Path) -> ListPlan:
    return planned(store, "name,place,subject\nHarbour,Quay,Boats\n", tmp_path)


def test_a_line_that_is_wrong_is_named_and_the_others_are_taken(
    store: Store, tmp_path: Path
) -> None:
    text = (
        "name,frame,frames,film,date,caption\n"
        "One,,36,,,\n"
        ",,36,,,\n"
        "a/b,,36,,,\n"
        "One,,24,,,\n"
        "Two,,many,,,\n"
        "Three,,36,glass,,\n"
        "Four,,36,,soon,\n"
        "Five,,36,,,alone\n"
        "Six,2,,,,not begun\n"
        "Harbour,9,,,,no such frame\n"
        "Harbour,2,24,,,no fact of a frame\n"
        "\x1b[2J,,36,,,\n"
        "Harbour,,24,slide,,\n"
    )
    plan = planned(store, text, tmp_path)
    assert len(plan.problems) == 13
    assert all("\x1b" not in problem for problem in plan.problems)
    assert plan.problems[0].startswith("Line 3 (no name)")
    assert "film stays bw-negative" in plan.problems[-2]
    store.edits.apply("import", plan.edits(overwrite=True))
    assert names(store) == ["One"]
    assert store.rolls.named("Harbour").process is FilmProcess.BW_NEGATIVE


def test_a_name_in_other_letters_is_the_same_roll(store: Store, tmp_path: Path) -> None:
    store.edits.apply("a", planned(store, "name\nLódz\n", tmp_path).new)
    plan = planned(store, "name,place\nLo\u0301dz,Quay\n", tmp_path)
    assert (len(plan.new), len(plan.filled)) == (0, 1)


def test_the_list_that_is_written_says_what_was_read(store: Store, tmp_path: Path) -> None:
    text = (
        "name,frame,film,notes,people,place,caption,identifiers\n"
        'One,,slide,"two\nlines","Ann; Bo","=Quay, ""old""",,+49;-1\n'
        "Two,,,,,港,,\n"
        "Harbour,,,on the table,,,,\n"
        "Harbour,2,,soft,Ann,,The quay,\n"
    )
    plan = planned(store, text, tmp_path)
    assert not plan.problems
    store.edits.apply("import", plan.edits(overwrite=True))
    written = "".join(_written(store))
    assert "'=Quay" in written
    again = planned(store, written.removeprefix("\ufeff"), tmp_path)
    assert not again.problems
    assert (again.new, again.differing, again.filled) == ([], [], [])
    assert again.unchanged == 4
    two = store.rolls.named("Harbour")
    frame = store.frames.of(two)[1]
    assert (frame.note, frame.description.caption) == ("soft", "The quay")
    assert not edit_frame(two, frame, {"caption": "The quay"}).changes


def _written(store: Store) -> Iterable[str]:
    return written_list([*store.rolls.all(), *store.waiting.all()], store.frames.of)
