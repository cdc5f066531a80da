"""Words are found in all that is known of rolls, in any script; the index is made again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.archive.conftest import Desk
from tether.archive.archive import Archive
from tether.archive.edits import edit_frame, edit_roll, edit_waiting
from tether.archive.rebuild import rebuild
from tether.archive.records import NewRoll, RollError
from tether.archive.roll_values import changed_roll
from tether.archive.search_index import (
    INDEX_FILE,
    SearchIndex,
    asked_words,
    has_words,
    prepared,
)
from tether.archive.waiting import WaitingRoll
from tether.description import RollDescription
from tether.film import FilmProcess


def found(archive: Archive, *words: str, most: int = -1) -> list[str]:
    with closing(SearchIndex(archive.store, archive.root)) as index:
        return list(_names(archive, index, words, most))


def _names(
    archive: Archive, index: SearchIndex, words: tuple[str, ...], most: int
) -> Iterator[str]:
    for hit in index.find(asked_words(words), most):
        if hit.roll is not None:
            yield archive.store.rolls.by_id(hit.roll).name
        elif hit.waiting is not None and (roll := archive.store.waiting.by_id(hit.waiting)):
            yield roll.new.name


@pytest.fixture
def archive(desk: Desk) -> Archive:
    made = desk.archive()
    rolls = made.store.rolls
    for name, place, caption in (
        ("Harbour 1987", "Łódź", "Fishermen at the quay"),
        ("Winter", "東京都港区", "子供たちと雪の朝"),
        ("Straße 5", "Zürich", "Éclair, the baker"),
        ("서울 1988", "서울특별시", "강가에서"),
    ):
        said = RollDescription().changed({"place": place, "people": "Ann Field; Bo"})
        roll = rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE, description=said))
        frame = made.store.frames.of(roll)[6]
        made.store.edits.apply("edit", [edit_frame(roll, frame, {"caption": caption})])
    waiting = WaitingRoll(changed_roll(NewRoll("Quay 2", FilmProcess.TRANSPARENCY), {}))
    made.store.edits.apply("import", [edit_waiting(None, waiting)])
    return made


@pytest.mark.parametrize(
    ("asked", "names"),
    [
        ("harbour", ["Harbour 1987"]),
        ("HARB", ["Harbour 1987"]),
        ("lodz", ["Harbour 1987"]),
        ("quay", ["Harbour 1987", "Quay 2"]),
        ("quay ann", ["Harbour 1987"]),
        ("strasse", ["Straße 5"]),
        ("zurich eclair", ["Straße 5"]),
        ("港", ["Winter"]),
        ("港区", ["Winter"]),
        ("京都", ["Winter"]),
        ("雪の", ["Winter"]),
        ("たち", ["Winter"]),
        ("区港", []),
        ("울특", ["서울 1988"]),
        ("강", ["서울 1988"]),
        ("ann bo", ["서울 1988", "Straße 5", "Winter", "Harbour 1987"]),
        ("arbour", []),
        ('"quay* -harbour"', ["Harbour 1987"]),
        ("NEAR(quay)", []),
    ],
)
def test_words_are_found(archive: Archive, asked: str, names: list[str]) -> None:
    assert found(archive, *asked.split()) == names


def test_the_newest_come_first_and_no_more_than_asked_for(archive: Archive) -> None:
    assert found(archive, "field", most=2) == ["서울 1988", "Straße 5"]
    assert found(archive, "quay", most=2) == ["Harbour 1987", "Quay 2"]
    assert found(archive, "quay", most=1) == ["Harbour 1987"]


def test_what_is_changed_is_found_as_it_is_now(archive: Archive) -> None:
    assert found(archive, "mole") == []
    store = archive.store
    roll = store.rolls.named("Winter")
    store.edits.apply("edit", [edit_roll(roll, (), {"name": "Mole", "place": "Pier"})])
    store.frames.set_note(store.rolls.named("Straße 5").id, 3, "mole in the corner")
    assert found(archive, "mole") == ["Straße 5", "Mole"]
    assert found(archive, "港") == []
    assert found(archive, "winter") == ["Mole"], "by its former name"
    store.rolls.add(NewRoll("Quay 2", FilmProcess.TRANSPARENCY))
    assert found(archive, "quay") == ["Quay 2", "Harbour 1987"]
    batch = store.edits.last(store.rolls.named("Mole"))
    assert batch is not None
    store.edits.take_back(batch[0])
    assert found(archive, "港") == ["Winter"]


@pytest.mark.parametrize("damage", [b"", b"no database", None])
def test_the_index_is_made_again(archive: Archive, damage: bytes | None) -> None:
    path = archive.root / INDEX_FILE
    assert found(archive, "quay") == ["Harbour 1987", "Quay 2"]
    if damage is None:
        path.write_bytes(path.read_bytes()[:-4096] + b"\xff" * 4096)
        path.write_bytes(path.read_bytes()[:100] + b"\xff" * 4000)
    else:
        path.write_bytes(damage)
    assert found(archive, "quay") == ["Harbour 1987", "Quay 2"]


def test_the_index_of_another_database_is_not_believed(desk: Desk, archive: Archive) -> None:
    assert found(archive, "winter") == ["Winter"]
    for name in ("Winter", "Harbour 1987"):
        (archive.folder(archive.store.rolls.named(name))).mkdir()
        (archive.folder(archive.store.rolls.named(name)) / "frames").mkdir()
        archive.write_all_facts(archive.store.rolls.named(name))
    archive.close()
    (desk.root / "tether.sqlite3").unlink()
    rebuild(desk.root)
    again = desk.archive()
    assert found(again, "winter") == ["Winter"]
    assert found(again, "zurich") == []


def test_an_index_that_cannot_be_written_is_made_in_memory(archive: Archive) -> None:
    (archive.root / INDEX_FILE).mkdir()
    assert found(archive, "quay") == ["Harbour 1987", "Quay 2"]


def test_nothing_is_written_through_a_link(archive: Archive, tmp_path: Path) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    (archive.root / INDEX_FILE).symlink_to(mine)
    assert found(archive, "quay") == ["Harbour 1987", "Quay 2"]
    assert mine.read_text() == "mine"


@pytest.mark.parametrize("texts", [[], [""], ['"'], ["- *"], ["a"] * 33])
def test_no_word_or_too_many_are_refused(texts: list[str]) -> None:
    with pytest.raises(RollError, match="word"):
        asked_words(texts)


@given(st.text(min_size=1))
def test_any_text_is_found_by_each_of_its_own_words(text: str) -> None:
    for part in text.split():
        if words := prepared(part):
            assert has_words(text, [words])


@given(st.lists(st.text(), min_size=1, max_size=5))
def test_no_text_breaks_the_query(texts: list[str]) -> None:
    import sqlite3

    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("CREATE VIRTUAL TABLE words USING fts5 (text)")
        index = SearchIndex.__new__(SearchIndex)
        index._db = db
        try:
            words = asked_words(texts)
        except RollError:
            return
        assert list(index.find(words)) == []
