"""What the next start finds, says and does, case by case."""

from __future__ import annotations

import json

import pytest
from tether_simulator.camera.dials import Quality
from tether_simulator.faults import BadName, DropConnection, Fault, SameName, Truncated
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.ptp import Operation, Property

from tests.archive.bench_rig import against_card, card_pictures, problems
from tests.archive.conftest import Desk
from tests.archive.inprocess_rig import Snap, SteadyCamera
from tether.archive.rebuild import rebuild
from tether.camera.errors import CameraError
from tether.camera.protocol import CardFile
from tether.capture.filing import Filing
from tether.capture.recovery import shared
from tether.capture.transfer import SamePicture
from tether.session.session import Session


def ready(desk: Desk, frames: int = 3) -> Session:
    session = desk.session(frames=frames)
    while session.next_step().step:
        session.confirm()
    return session


def test_pictures_made_while_nobody_looked_are_offered(desk: Desk) -> None:
    desk.body.press_button()
    desk.body.wait()
    session = desk.session()
    assert "did not take; they stay there" in session.found[0]
    desk.close()
    assert desk.session().found == (), "what was on the card at first is not asked about again"
    desk.close()
    desk.body.press_button()
    desk.body.wait()
    for _ in range(2):
        session = desk.session()
        assert "no frame has: BNCH0002.DNG" in session.found[0]
        (file,) = session.transfer.offered(desk.camera, session.tethered.key)
        desk.close()
    session = desk.session()
    session.transfer.take(
        desk.camera, session.tethered.key, [file], 2, "card", {}, None, lambda _: None
    )
    assert [c.origin for c in session.frames()[1].captures] == ["card"]
    desk.close()
    assert "no frame has" not in " ".join(desk.session().found)


def test_a_picture_that_never_comes_whole_does_not_shut_the_roll(desk: Desk) -> None:
    """It is asked for at the next start; then it is offered like any other on the card."""
    session = ready(desk)
    desk.body.faults.install(Truncated(keep=700))
    with pytest.raises(CameraError):
        session.capture()
    desk.close()
    session = desk.session()
    assert "could not be fetched" in session.found[0]
    assert session.store.journal.intents(session.roll.id) == []
    desk.close()
    session = desk.session()
    assert "no frame has" in session.found[0]
    # Each time the very same bytes came: one file of them is kept for each start that asked.
    (said,) = (said for said in session.found if "incomplete" in said)
    assert "2 incomplete files, which are harmless" in said
    parts = list(session.archive.incoming(session.roll).glob("*.part"))
    assert [part.stat().st_size for part in parts] == [700, 700]
    left = session.leftovers.find()
    assert [item.needs_choice for item in left if item.path] == [False, False]
    desk.work(session)
    assert problems(session.archive, "Harbour") == []


def test_another_card_in_the_camera(desk: Desk) -> None:
    session = ready(desk)
    desk.body.faults.install(DropConnection(code=Operation.GET_OBJECT, times=9))
    with pytest.raises(CameraError):
        session.capture()
    desk.close()
    desk.body.faults.clear()
    kept = [i for i in desk.body.card.items() if not i.is_folder]
    for item in kept:
        del desk.body.card._items[item.handle]
    session = desk.session()
    assert "is not on the card in the camera" in session.found[0]
    desk.close()
    for item in kept:
        desk.body.card._items[item.handle] = item
    session = desk.session()
    assert "on the camera's card and is fetched now" in session.found[0]
    assert session.frames()[0].undecided is not None


def test_the_raw_file_whose_news_was_lost_is_found_beside_its_jpeg(desk: Desk) -> None:
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    session = ready(desk, frames=1)
    desk.body.press_button()
    desk.body.wait()
    files = desk.camera.wait_for_files(0)
    jpeg = [f for f in files if f.name.endswith("JPG")]
    session.transfer.take(
        desk.camera, session.tethered.key, jpeg, 1, "button", {}, None, lambda _: None
    )
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []


def test_a_picture_told_of_twice_is_filed_once(desk: Desk) -> None:
    session = ready(desk)
    desk.body.press_button()
    desk.body.wait()
    shot = session.shooting.take_from_camera()
    assert shot is not None
    files = desk.camera.list_files()
    session.keep()
    again = session.transfer.take(
        desk.camera, session.tethered.key, files, 2, "button", {}, None, lambda _: None
    )
    assert again.repeated
    assert again.captures == ()
    assert problems(session.archive, "Harbour", complete=False) == []
    assert list(session.archive.incoming(session.roll).iterdir()) == []


def test_half_files_and_strangers_are_said_and_stay(desk: Desk) -> None:
    desk.made_roll(frames=1)
    folder = desk.root / "Harbour"
    (folder / "incoming" / "half.part").write_bytes(b"II*\0half")
    whole = (folder / "Harbour_f001_t1.dng").read_bytes()
    (folder / "incoming" / "copy.part").write_bytes(whole)
    (folder / "holiday.dng").write_bytes(b"x")
    (folder / "Harbour_f009_t1.dng").write_bytes(b"x")
    said = " ".join(desk.session().found)
    assert "1 copy of filed pictures and 1 incomplete file, which is harmless" in said
    assert "2 files in the roll's folder are not recorded" in said
    assert "tether rebuild" in said
    assert len(list((folder / "incoming").iterdir())) == 2


def test_sidecars_that_fell_behind_are_written_again(desk: Desk) -> None:
    desk.made_roll(frames=2)
    sidecar = desk.root / "Harbour" / "frames" / "f001.json"
    right = sidecar.read_bytes()
    sidecar.write_text("{}")
    session = desk.session()
    assert sidecar.read_bytes() == right
    desk.close()
    unmade = desk.root / "Winter" / "frames" / "f002.json"
    desk.session("Winter")
    unmade.write_text('{"state": "kept"}')  # a decision that was taken back
    desk.close()
    session = desk.session("Winter")
    assert session.frames()[1].captures == ()
    assert json.loads(unmade.read_text())["state"] == "open"


def test_sharing_exposures_among_releases() -> None:
    a, b, c, d = ([CardFile("/", f"{n}.DNG")] for n in "abcd")
    assert shared([], 2) == [[], []]
    assert shared([a], 2) == [[], a]
    assert shared([a, b], 2) == [a, b]
    assert shared([a, b], 1) == [a + b]
    assert shared([a, b, c, d], 1) == [d]


def test_a_jpeg_alone_leaves_the_release_open_for_its_raw_file(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A connection may not see the raw file at all; the next one does."""
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    session = ready(desk, frames=1)
    real_capture, real_list = desk.camera.capture, desk.camera.list_files
    only = lambda files: [f for f in files if f.name.endswith("JPG")]  # noqa: E731
    with monkeypatch.context() as patch:
        # In its own attributes: what stands there passes by the camera that is connected.
        patch.setitem(vars(desk.camera), "capture", lambda: only(real_capture()))
        patch.setitem(vars(desk.camera), "list_files", lambda: only(real_list()))
        with pytest.raises(CameraError, match="no raw file"):
            session.capture()
    session.reconnect()
    assert session.next_step().capture is not None
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []
    desk.work(session)
    assert problems(session.archive, "Harbour") == []


def test_a_picture_of_another_roll_waits_for_that_roll(desk: Desk) -> None:
    """A stop between shutter and record, then the person opens another roll first."""
    session = ready(desk)
    store, key = session.store, session.tethered.key
    store.journal.begin(session.roll.id, "release", 1, {"camera": key})
    desk.body.press_button()
    desk.body.wait()
    desk.close()
    winter = desk.session("Winter")
    assert all("no frame has" not in said for said in winter.found)
    desk.work(winter, keep=1)
    winter.store.journal.begin(winter.roll.id, "release", 2, {"camera": key})
    desk.body.press_button()
    desk.body.wait()
    desk.close()
    winter = desk.session("Winter")
    assert [len(f.captures) for f in winter.frames()] == [1, 1, 0]
    desk.close()
    session = desk.session()
    assert [len(f.captures) for f in session.frames()] == [1, 0, 0]
    assert session.store.journal.intents(session.roll.id) == []
    pictures = [sha for sha, _, _ in card_pictures(desk.card)]
    assert session.frames()[0].captures[0].sha256 == pictures[0]


TWICE: tuple[tuple[Fault, Fault], ...] = (
    (BadName(times=2), BadName(nth=9)),
    (SameName(nth=2, same=True), SameName(nth=9)),
)


@pytest.mark.parametrize("faults", TWICE)
def test_two_pictures_of_one_name(desk: Desk, faults: tuple[Fault, Fault]) -> None:
    """Folder, name, size and time alike: a camera that goes by handles gives both."""
    session = ready(desk)
    desk.body.faults.install(*faults)
    desk.work(session)
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []
    assert problems(session.archive, "Harbour") == []


@pytest.mark.parametrize("faults", TWICE)
def test_a_driver_that_gives_the_first_of_two_pictures_of_one_name(
    desk: Desk, faults: tuple[Fault, Fault]
) -> None:
    """As libgphoto2 does. The second frame does not get the first one's picture."""
    desk.camera = SteadyCamera(desk.body, by_name=True)
    session = ready(desk)
    desk.body.faults.install(*faults)
    desk.work(session, keep=1)
    while session.next_step().step:
        session.confirm()
    with pytest.raises(SamePicture, match="frame 1 of roll 'Harbour' a second time") as caught:
        session.capture()
    assert "Shoot again" in caught.value.todo
    assert session.frames()[1].captures == ()
    assert list(session.archive.incoming(session.roll).iterdir()) == []
    desk.close()
    session = desk.session()
    assert any("same name" in said for said in session.found), "the card cannot be listed"
    desk.work(session)
    recorded = [sha for _, _, sha in session.store.frames.recorded(session.roll.id)]
    first, _, third, fourth = (sha for sha, _, _ in card_pictures(desk.card))
    assert recorded == [first, third, fourth]
    desk.close()
    # The person puts another card in: the release that came to nothing is brought to its end.
    for item in [i for i in desk.body.card.items() if not i.is_folder]:
        desk.body.card.remove(item)
    session = desk.session()
    assert problems(session.archive, "Harbour") == []


def test_a_picture_of_another_roll_is_not_filed_again(desk: Desk) -> None:
    """By the camera's button, under a name that is new: its bytes are looked for everywhere."""
    desk.made_roll("Winter", frames=1)
    desk.camera = SteadyCamera(desk.body, by_name=True)
    session = ready(desk)
    (earlier,) = desk.camera.list_files()
    told = CardFile(earlier.folder, earlier.name, earlier.size, 1)
    with pytest.raises(SamePicture, match="frame 1 of roll 'Winter'"):
        session.transfer.take(
            desk.camera, session.tethered.key, [told], 1, "button", {}, None, lambda _: None
        )
    assert problems(session.archive, "Harbour", complete=False) == []
    assert session.store.journal.intents(session.roll.id) == []
    assert session.store.journal.unfetched_card_files(session.tethered.key, [told]) == [told]


def test_a_test_exposure_is_no_earlier_picture(desk: Desk) -> None:
    desk.camera = SteadyCamera(desk.body, by_name=True)
    session = ready(desk)
    desk.body.faults.install(SameName(nth=2, same=True))
    desk.work(session, keep=1)
    with pytest.raises(SamePicture, match="frame 1 of roll 'Harbour'"):
        session.bench.shots.take("open-gate")
    assert session.store.frames.bench_shots(session.roll.id) == []


def test_two_jpegs_that_are_alike_both_belong_to_their_raw_files(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a time in it a camera's small JPEG of an evenly lit frame may be any other's."""
    scene = desk.body._scene
    real = scene.expose

    def with_a_plain_jpeg(exposure: CameraExposure) -> Snap:
        return Snap(real(exposure).raw, jpeg=b"\xff\xd8\xff\xd9")

    monkeypatch.setattr(scene, "expose", with_a_plain_jpeg)
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    for name in ("Harbour", "Winter"):
        session = desk.session(name, frames=2)
        desk.work(session)
        assert [c.companions for f in session.frames() for c in f.captures] == [
            (f"{name}_f001_t1.jpg",),
            (f"{name}_f002_t1.jpg",),
        ]
        assert problems(session.archive, name) == []
        desk.close()
    for path in [*desk.root.glob("tether.sqlite3*"), *desk.root.glob("*/frames/*.json")]:
        path.unlink()
    assert rebuild(desk.root).captures == 4
    session = desk.session("Winter")
    assert len(session.store.frames.recorded(session.roll.id)) == 4


def only_raw(desk: Desk, patch: pytest.MonkeyPatch) -> None:
    """The camera tells of the raw file; its JPEG comes later."""

    def capture() -> list[CardFile]:
        return [f for f in desk.camera._camera.capture() if f.name.endswith("DNG")]

    patch.setitem(vars(desk.camera), "capture", capture)


@pytest.mark.parametrize("stop", [False, True])
def test_a_late_jpeg_is_not_taken_for_the_picture_of_a_release_that_came_to_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, stop: bool
) -> None:
    """Raw and JPEG; the JPEG after the next release was refused. It belongs to the raw file."""
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    session = ready(desk)
    with monkeypatch.context() as patch:
        only_raw(desk, patch)
        session.capture()
    session.keep()
    store, roll = session.store, session.roll
    store.journal.begin(roll.id, "release", 2, {"camera": session.tethered.key})
    desk.close()
    session = desk.session()
    assert any("no picture was made" in said for said in session.found)
    assert session.store.journal.intents(roll.id) == []
    (item,) = session.leftovers.find()
    assert item.name == "BNCH0001.JPG"
    if stop:
        real = Filing.file

        def cut(*_: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(Filing, "file", cut)
            with pytest.raises(KeyboardInterrupt):
                session.leftovers.fetch(item, 3)
        assert Filing.file is real
        desk.close()
        session = desk.session()
    else:
        assert "Harbour_f001_t1.jpg" in session.leftovers.fetch(item, 3)
    assert session.frames()[0].captures[0].companions == ("Harbour_f001_t1.jpg",)
    assert session.store.journal.intents(roll.id) == []
    assert session.leftovers.find(afresh=True) == () or stop
    assert against_card(session.archive, "Harbour", card_pictures(desk.card)) == []
    desk.work(session)
    assert problems(session.archive, "Harbour") == []


def test_a_late_jpeg_of_another_roll_waits_for_that_roll(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.body.turn(Property.COMPRESSION_SETTING, Quality.RAW_AND_JPEG.value)
    with monkeypatch.context() as patch:
        only_raw(desk, patch)
        desk.made_roll("Winter", frames=1)
    session = desk.session()
    (item,) = session.leftovers.find()
    with pytest.raises(SamePicture, match="frame 1 of roll 'Winter'"):
        session.leftovers.fetch(item, 2)
    assert session.store.frames.recorded(session.roll.id) == []
    assert session.leftovers.find()[0] == item
    desk.close()
    session = desk.session("Winter")
    session.leftovers.fetch(session.leftovers.find()[0], 1)
    assert session.frames()[0].captures[0].companions == ("Winter_f001_t1.jpg",)
