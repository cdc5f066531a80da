"""What was left on the card and in the folder, and each thing that a person may do with it."""

from __future__ import annotations

from pathlib import Path

import pytest
from tether_simulator.camera.dials import Quality
from tether_simulator.faults import DropConnection, SameName
from tether_simulator.ptp import Operation, Property

from tests.archive.bench_rig import against_card, card_pictures, problems
from tests.archive.conftest import Desk
from tether.archive.records import RollError
from tether.camera.errors import CameraError
from tether.capture.leftovers import Kind, Leftover
from tether.errors import NotNow
from tether.session.session import Session


def button(desk: Desk, times: int) -> None:
    for _ in range(times):
        desk.body.press_button()
        desk.body.wait()


@pytest.fixture
def seen(desk: Desk) -> Desk:
    """A desk whose card was seen once; then pictures were made while nobody looked."""
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    desk.session()
    desk.close()
    button(desk, 2)
    return desk


def kinds(session: Session) -> list[Kind]:
    return [x.kind for x in session.leftovers.find()]


def test_pictures_on_the_card_are_fetched_for_the_frames_that_a_person_says(seen: Desk) -> None:
    session = seen.session()
    first, second = session.leftovers.find()
    assert first.kind is second.kind is Kind.CARD
    assert first.name == "BNCH0001.DNG, BNCH0001.JPG"
    assert session.leftovers.free_frames(9) == [1, 2, 3]
    for wrong in (0, 4):
        with pytest.raises(RollError, match="frames 1 to 3"):
            session.leftovers.fetch(first, wrong)
    said = session.leftovers.fetch(second, 3)
    assert said == "Frame 3: Harbour_f003_t1.dng (verdict: keep)"
    assert session.leftovers.free_frames(9) == [1, 2]
    assert session.leftovers.fetch(first, 1).startswith("Frame 1:")
    assert session.leftovers.find(afresh=True) == ()
    assert [c.origin for f in session.frames() for c in f.captures] == ["card", "card"]
    pictures = card_pictures(seen.card)
    assert len(session.store.frames.recorded(session.roll.id)) == len(pictures) == 4
    assert problems(session.archive, "Harbour", complete=False) == []
    again = session.leftovers.fetch(first, 2)
    assert "has it already" in again
    assert session.frames()[1].captures == ()


def test_what_is_left_on_the_card_is_not_asked_about_again(seen: Desk) -> None:
    session = seen.session()
    first, second = session.leftovers.find()
    session.leftovers.leave(first)
    assert session.leftovers.find() == (second,)
    seen.close()
    session = seen.session()
    assert session.leftovers.find() == (second,)
    assert "1 file" not in session.found[0]
    lines = [text for _, _, _, text in session.store.journal.log_lines(session.roll.id)]
    assert any("Left where it is: BNCH0001.DNG" in line for line in lines)


def test_a_fetch_that_breaks_is_finished_at_the_next_connection(seen: Desk) -> None:
    session = seen.session()
    first, _ = session.leftovers.find()
    seen.body.faults.install(DropConnection(code=Operation.GET_OBJECT, after=100))
    with pytest.raises(CameraError):
        session.leftovers.fetch(first, 2)
    session.reconnect()
    assert [len(f.captures) for f in session.frames()] == [0, 1, 0]
    assert against_card(session.archive, "Harbour", card_pictures(seen.card)[:2]) == []


def test_without_a_camera_only_the_folder_is_looked_at(desk: Desk) -> None:
    session = desk.session()
    session.tethered.camera = None
    assert session.leftovers.find(afresh=True) == ()
    with pytest.raises(NotNow, match="No camera"):
        session.leftovers.fetch(Leftover(Kind.CARD, "x", 1), 1)


@pytest.fixture
def littered(desk: Desk) -> Desk:
    """A roll of one frame with every kind of file that can be left in its folder."""
    desk.made_roll(frames=2)
    folder = desk.root / "Harbour"
    whole = (folder / "Harbour_f001_t1.dng").read_bytes()
    (folder / "incoming" / "a-copy.part").write_bytes(whole)
    (folder / "incoming" / "b-half.part").write_bytes(b"II*\0half")
    (folder / "incoming" / "c-whole.part").write_bytes(tiff(b"picture"))
    (folder / "Harbour_f002_t7.dng").write_bytes(tiff(b"orphan"))
    (folder / "holiday.dng").write_bytes(b"x")
    return desk


def tiff(data: bytes) -> bytes:
    """A little-endian TIFF with one strip of ``data`` at its end (TIFF 6.0, section 2)."""
    entries = b"".join(
        tag.to_bytes(2, "little") + b"\x04\0\x01\0\0\0" + value.to_bytes(4, "little")
        for tag, value in ((273, 38), (279, len(data)))
    )
    return b"II*\0\x08\0\0\0\x02\0" + entries + bytes(4) + data


def test_files_in_the_folder_are_told_apart(littered: Desk) -> None:
    session = littered.session()
    assert kinds(session) == [Kind.COPY, Kind.HALF, Kind.WHOLE, Kind.CAPTURE, Kind.STRANGER]
    before = {p: p.read_bytes() for p in (littered.root / "Harbour").rglob("*.*") if p.is_file()}
    assert {"a-copy.part", "b-half.part", "c-whole.part"} <= {p.name for p in before}
    littered.close()
    littered.session()
    assert all(p.is_file() for p in before), "nothing goes by itself"


def test_a_whole_file_and_one_named_like_a_capture_are_filed(littered: Desk) -> None:
    session = littered.session()
    _, _, whole, capture, _ = session.leftovers.find()
    assert "Frame 2: Harbour_f002_t2.dng (verdict: keep)" in session.leftovers.file(whole, 2)
    assert "Recorded: Harbour_f002_t7.dng (verdict: keep)" in session.leftovers.record(capture)
    frame = session.frames()[1]
    assert [(c.take, c.origin) for c in frame.captures] == [
        (1, "program"),
        (2, "leftover"),
        (7, "rebuilt"),
    ]
    assert kinds(session) == [Kind.COPY, Kind.HALF, Kind.STRANGER]
    session.leftovers.leave(session.leftovers.find()[2])
    (littered.root / "Harbour" / "holiday.dng").unlink()
    littered.work(session)
    assert problems(session.archive, "Harbour") == []
    with pytest.raises(NotNow, match="not there any more"):
        session.leftovers.file(whole, 1)


def test_only_a_copy_of_what_is_filed_can_be_removed(littered: Desk) -> None:
    session = littered.session()
    copy, half, *_ = session.leftovers.find()
    assert copy.path is not None
    assert half.path is not None
    with pytest.raises(NotNow):
        session.leftovers.drop_copy(half)
    filed = littered.root / "Harbour" / "Harbour_f001_t1.dng"
    good = filed.read_bytes()
    filed.write_bytes(good[:-1] + b"?")
    with pytest.raises(NotNow, match="not there as it was recorded"):
        session.leftovers.drop_copy(copy)
    assert copy.path.is_file(), "it may be the only good one"
    filed.write_bytes(good)
    assert "same bytes" in session.leftovers.drop_copy(copy)
    assert not copy.path.exists()
    assert half.path.is_file()


def test_files_that_are_left_alone_are_not_spoken_of_again(littered: Desk) -> None:
    session = littered.session()
    for item in session.leftovers.find():
        session.leftovers.leave(item)
    assert session.leftovers.find() == ()
    littered.close()
    session = littered.session()
    assert session.found == ()
    (littered.root / "Harbour" / "incoming" / "new.part").write_bytes(b"II*\0")
    assert kinds(session) == [Kind.HALF]


def test_a_stop_while_a_leftover_is_filed(littered: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is an arrival like any other: the next start brings it to its end."""
    session = littered.session()
    whole = session.leftovers.find()[2]

    class Stop(BaseException):
        pass

    def stop(*_: object) -> None:
        raise Stop

    with monkeypatch.context() as patch:
        patch.setattr("tether.capture.filing.link_into_place", stop)
        with pytest.raises(Stop):
            session.leftovers.file(whole, 1)
    littered.close()
    session = littered.session()
    assert [c.origin for c in session.frames()[0].captures] == ["program", "leftover"]


def test_a_capture_whose_bytes_are_recorded_is_not_recorded_twice(desk: Desk) -> None:
    desk.made_roll(frames=1)
    folder: Path = desk.root / "Harbour"
    (folder / "Harbour_f009_t1.dng").write_bytes((folder / "Harbour_f001_t1.dng").read_bytes())
    session = desk.session()
    (item,) = session.leftovers.find()
    with pytest.raises(NotNow):
        session.leftovers.record(item)
    assert len(session.store.frames.recorded(session.roll.id)) == 1


@pytest.mark.parametrize("seen_before", [True, False])
def test_of_two_pictures_described_alike_the_earlier_one_is_offered(
    desk: Desk, seen_before: bool
) -> None:
    """Folder, name, size and time alike: the new one is filed, the earlier one is not forgotten."""
    desk.session()
    desk.close()
    if seen_before:
        button(desk, 1)
    session = desk.session()
    while session.next_step().step:
        session.confirm()
    if not seen_before:
        button(desk, 1)
    desk.body.faults.install(SameName(same=True))
    session.capture()
    session.reconnect()
    assert {f.name for x in session.leftovers.find() for f in x.files} == {"BNCH0001.DNG"}
    session.leftovers.fetch(session.leftovers.find()[0], 3)
    filed = {sha for _, _, sha in session.store.frames.recorded(session.roll.id)}
    assert filed == {sha for sha, _, _ in card_pictures(desk.card)}
    assert session.leftovers.find(afresh=True) == ()
