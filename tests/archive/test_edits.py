"""Changes by hand of rolls, frames and rolls that wait: stored as one batch, taken back as one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from tests.archive.conftest import Desk
from tether.archive.archive import Archive
from tether.archive.edits import edit_frame, edit_roll, edit_waiting
from tether.archive.open_roll import write_where_free
from tether.archive.rebuild import rebuild
from tether.archive.records import NewRoll, Roll, RollError
from tether.archive.roll_values import changed_roll, differences, roll_values
from tether.archive.rolls import RollFilter
from tether.archive.verify import check
from tether.archive.waiting import WaitingRoll
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.findings import Verdict


def put(archive: Archive, roll: Roll, values: Mapping[str, str]) -> Roll:
    edit = edit_roll(roll, archive.store.frames.of(roll), values)
    write_where_free(archive, archive.store.edits.apply(f"edit {roll.name}", [edit]))
    return archive.store.rolls.by_id(roll.id)


def undo(archive: Archive, roll: Roll | WaitingRoll) -> tuple[str, ...]:
    last = archive.store.edits.last(roll)
    assert last is not None
    done = archive.store.edits.take_back(last[0])
    write_where_free(archive, done.rolls)
    return done.kept


def on_disk(archive: Archive, roll: Roll) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((archive.folder(roll) / "roll.json").read_text())
    return found


def waits(name: str, **values: str) -> WaitingRoll:
    return WaitingRoll(changed_roll(NewRoll(name, FilmProcess.TRANSPARENCY), values))


@pytest.fixture
def kept(desk: Desk) -> tuple[Archive, Roll]:
    session = desk.session("Harbour")
    desk.work(session, keep=2)
    roll = session.roll
    session.close()
    return desk.archive(), roll


def test_every_fact_of_a_begun_roll_can_be_changed_and_taken_back(
    kept: tuple[Archive, Roll],
) -> None:
    archive, roll = kept
    before = roll_values(roll.as_new())
    values = {
        **{key: f"{key} 1" for key in before if key not in ("film", "format", "date")},
        **{"film": "Slide", "format": "120-6x6", "frames": "12", "frames_per_strip": "3"},
        "date": "1987-06~",
    }
    after = put(archive, roll, values)
    assert (after.name, after.process, after.folder) == (
        "name 1",
        FilmProcess.TRANSPARENCY,
        "Harbour",
    )
    assert after.description.former_names == ("Harbour",)
    assert on_disk(archive, after)["name"] == "name 1"
    assert on_disk(archive, after)["description"]["former_names"] == ["Harbour"]
    assert undo(archive, after) == ()
    again = archive.store.rolls.by_id(roll.id)
    assert again == roll
    assert on_disk(archive, roll)["name"] == "Harbour"
    assert archive.store.edits.last(roll) is None


def test_a_renamed_roll_is_worked_on_checked_and_found_by_its_former_name(
    kept: tuple[Archive, Roll], desk: Desk
) -> None:
    archive, roll = kept
    put(archive, roll, {"name": "Quay"})
    with pytest.raises(RollError, match="is called 'Quay' now"):
        archive.store.rolls.named("Harbour")
    archive.close()
    session = desk.session("Quay")
    desk.work(session)
    assert [c.file_name for c in session.frames()[2].captures] == ["Harbour_f003_t1.dng"]
    session.close()
    with_files = desk.archive()
    assert not check(with_files, with_files.store.rolls.all(), 1).findings
    with_files.store.rolls.add(NewRoll("Harbour", FilmProcess.BW_NEGATIVE))
    assert with_files.store.rolls.named("Harbour").folder != "Harbour"


def test_a_renamed_roll_whose_file_was_not_written_is_rebuilt_as_itself(
    kept: tuple[Archive, Roll], desk: Desk
) -> None:
    archive, roll = kept
    edit = edit_roll(roll, (), {"name": "Quay"})
    archive.store.edits.apply("edit Harbour", [edit])  # and a stop before the file was written
    archive.close()
    done = rebuild(desk.root)
    assert (done.rolls, done.captures) == (0, 0)
    assert [r.name for r in desk.archive().store.rolls.all()] == ["Quay"]
    session = desk.session("Quay")
    assert session.roll.folder == "Harbour"
    assert on_disk(session.archive, session.roll)["name"] == "Quay"


def test_a_frame_s_caption_and_note_are_changed_logged_and_taken_back(
    kept: tuple[Archive, Roll],
) -> None:
    archive, roll = kept
    frame = archive.store.frames.of(roll)[2]
    edit = edit_frame(roll, frame, {"caption": "港の朝", "note": "soft"})
    archive.store.edits.apply("edit Harbour, frame 3", [edit])
    found = archive.store.frames.of(roll)[2]
    assert (found.note, found.description.caption) == ("soft", "港の朝")
    assert archive.store.journal.log_lines(roll.id)[-1][1:] == (
        3,
        "edit",
        "note: soft; caption: 港の朝",
    )
    assert undo(archive, roll) == ()
    found = archive.store.frames.of(roll)[2]
    assert (found.note, bool(found.description)) == ("", False)


def test_frames_with_pictures_cannot_be_edited_away(kept: tuple[Archive, Roll]) -> None:
    archive, roll = kept
    with pytest.raises(RollError, match="Frame 2"):
        put(archive, roll, {"frames": "1"})
    assert put(archive, roll, {"frames": "2"}).frames_expected == 2


@pytest.mark.parametrize(
    "values",
    [
        {"colour": "red"},
        {"film": "glass"},
        {"format": "8x10"},
        {"frames": "many"},
        {"frames": "9" * 5000},
        {"frames_per_strip": "7"},
        {"name": "a/b"},
        {"name": " "},
        {"date": "soon"},
        {"place": "\x07"},
    ],
)
def test_what_makes_no_sense_is_refused(kept: tuple[Archive, Roll], values: dict[str, str]) -> None:
    archive, roll = kept
    with pytest.raises(TetherError):
        put(archive, roll, values)
    assert archive.store.rolls.by_id(roll.id) == roll


def test_a_name_that_is_taken_is_refused_and_nothing_of_the_batch_is_stored(
    kept: tuple[Archive, Roll],
) -> None:
    archive, roll = kept
    store = archive.store
    store.rolls.add(NewRoll("Quay", FilmProcess.BW_NEGATIVE))
    store.edits.apply("import a list", [edit_waiting(None, waits("Mole"))])
    first = edit_waiting(None, waits("Pier"))
    for name in ("Quay", "Mole"):
        with pytest.raises(RollError):
            store.edits.apply("edit", [first, edit_roll(roll, (), {"name": name})])
    with pytest.raises(RollError):
        store.edits.apply("import", [first, edit_waiting(None, waits("Quay"))])
    assert store.waiting.count() == 1
    assert store.rolls.by_id(roll.id) == roll


def test_a_list_is_taken_back_but_what_was_begun_or_changed_since_stays(desk: Desk) -> None:
    store = desk.archive().store
    names = ("One", "Two", "Three")
    store.edits.apply("import list.csv", [edit_waiting(None, waits(name)) for name in names])
    store.rolls.add(NewRoll("Two", FilmProcess.TRANSPARENCY))
    assert not store.waiting.has("Two"), "a roll that is begun leaves the list"
    three = store.waiting.named("Three")
    assert three is not None
    changed = edit_waiting(three, three.changed({"place": "Quay"}))
    store.edits.apply("edit Three", [changed])
    last = store.edits.last_called("import ")
    assert last is not None
    done = store.edits.take_back(last[0])
    assert done.count == 1
    assert sorted(done.kept) == [
        "A change of later stays: edit Three.",
        "A roll of the list was begun since, and stays.",
    ]
    assert [w.new.name for w in store.waiting.all()] == ["Three"]
    again = store.waiting.named("Three")
    assert again is not None
    assert undo(desk.archive(), again) == ()


def test_a_number_of_the_list_is_never_used_twice(desk: Desk) -> None:
    store = desk.archive().store
    store.edits.apply("import a", [edit_waiting(None, waits("One"))])
    one = store.waiting.next()
    assert one is not None
    store.rolls.add(NewRoll("One", FilmProcess.TRANSPARENCY))
    store.edits.apply("import b", [edit_waiting(None, waits("Two"))])
    two = store.waiting.next()
    assert two is not None
    assert two.id > one.id
    batch = store.edits.last_called("import a")
    assert batch is not None
    assert store.edits.take_back(batch[0]).count == 0
    assert store.waiting.has("Two")


def test_the_list_survives_the_database(desk: Desk) -> None:
    archive = desk.archive()
    session = desk.session("Harbour", archive=archive)
    three = [edit_waiting(None, waits(name, place="港")) for name in ("Harbour 2", "3", "4")]
    archive.store.edits.apply("import list.csv", three)
    archive.write_waiting()
    session.close()
    listed = desk.root / "waiting.jsonl"
    listed.write_bytes(listed.read_bytes() + b'{"name": "x"}\n[]\n\x00\n')
    (desk.root / "tether.sqlite3").unlink()
    done = rebuild(desk.root)
    assert "waiting.jsonl: 3 lines could not be read." in done.said
    again = desk.archive().store
    assert [w.new.name for w in again.waiting.all()] == ["Harbour 2", "3", "4"]
    assert [w.new.description.place for w in again.waiting.all()] == ["港"] * 3
    assert not differences(
        waits("3", place="港").values(), (again.waiting.named("3") or waits("?")).values()
    )


def test_a_roll_without_a_kind_of_film_waits_and_says_so(desk: Desk) -> None:
    store = desk.archive().store
    unknown = WaitingRoll(NewRoll("One", FilmProcess.BW_NEGATIVE), film_known=False)
    store.edits.apply("import a", [edit_waiting(None, unknown)])
    found = store.waiting.named("One")
    assert found is not None
    assert (found.film_known, found.values()["film"]) == (False, "")
    known = found.changed({"film": "colour negative"})
    assert (known.film_known, known.new.process) == (True, FilmProcess.COLOUR_NEGATIVE)


def test_rolls_are_listed_by_what_is_still_to_be_done(kept: tuple[Archive, Roll]) -> None:
    archive, roll = kept
    rolls = archive.store.rolls
    rolls.add(NewRoll("Mole", FilmProcess.BW_NEGATIVE))
    put(archive, roll, {"box": "7"})

    def names(**wanted: Any) -> list[str]:
        return [line.name for line in rolls.lines(None, RollFilter(**wanted))]

    assert names() == ["Harbour", "Mole"]
    assert names(box="7") == ["Harbour"]
    assert names(not_delivered=True) == ["Harbour"], "nothing of the other one is kept"
    archive.store.journal.log("deliver", "2 positives made", roll.id)
    assert names(not_delivered=True) == []
    chosen = archive.store.frames.of(roll)[0].chosen
    assert chosen is not None
    archive.store.frames.set_judgement(chosen.id, Verdict.KEEP, chosen.facts, b"")
    second = archive.store.frames.of(roll)[1].chosen
    assert second is not None
    archive.store.frames.set_judgement(second.id, Verdict.KEEP, second.facts, b"")
    assert names(to_check=True) == []
    archive.store.frames.set_judgement(second.id, Verdict.LOOK, second.facts, b"")
    assert names(to_check=True) == ["Harbour"]
    assert names(no_copy=True, box="7") == ["Harbour"]
