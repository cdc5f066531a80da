"""Each fault of the simulated camera, as libgphoto2 shows it.

Result codes: libgphoto2's ``gphoto2-port-result.h`` and ``gphoto2-result.h``.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

import pytest
from tether_simulator.faults import (
    BadName,
    BatteryFalls,
    Corrupted,
    DropConnection,
    DuplicateEvent,
    FullCard,
    LateSecondFile,
    LostEvent,
    NeverCompletes,
    Refuse,
    SameName,
    Slow,
    Truncated,
    WrongSize,
)
from tether_simulator.ptp import Event, Operation, Property, Response

from tests.simulator.conftest import Rig
from tests.simulator.gphoto_client import GphotoError
from tether.errors import TetherError

Build = Callable[..., Rig]
ERROR, BAD_PARAMETERS, NO_MEMORY, FILE_EXISTS, TIMEOUT, IO, BUSY = -1, -2, -3, -103, -10, -7, -110
FOLDER = "/store_00010001/DCIM/100BENCH"


def code_of(call: Callable[..., object], *args: object) -> int:
    with pytest.raises(GphotoError) as caught:
        call(*args)
    return caught.value.code


def names(events: list[tuple[str, object]]) -> list[str]:
    return [detail[1] for kind, detail in events if kind == "file"]  # type: ignore[index]


@pytest.mark.parametrize("after", [0, 1, 8, 19, 20, 31, 32, 10_000, 20_031, 20_032, 20_045])
def test_connection_breaks_at_any_byte_of_a_file(rig: Build, after: int) -> None:
    # The answer: Start Data 20 bytes, End Data 12 + 20,000, response 14 = 20,046.
    bench = rig(DropConnection(code=Operation.GET_OBJECT, after=after))
    remote = bench.connect()
    taken = remote.capture()
    assert code_of(remote.fetch, *taken) < 0
    again = bench.connect()
    assert again.fetch(*taken) == bench.scene.picture(1).raw
    assert again.errors() == []


def test_connection_breaks_far_into_a_large_file(rig: Build) -> None:
    # Fetched in parts of 1 MiB; the bytes count on from one part's answer to the next.
    bench = rig(DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=2_500_000), size=4_000_000)
    remote = bench.connect()
    taken = remote.capture()
    assert code_of(remote.fetch, *taken) < 0
    assert bench.connect().fetch(*taken) == bench.scene.picture(1).raw


def test_connection_breaks_on_the_first_operation(rig: Build) -> None:
    bench = rig(DropConnection(after=5))
    assert code_of(bench.remote().init) < 0
    assert bench.connect().errors() == []


def test_slow_answer_within_the_time_limit(rig: Build) -> None:
    fault = Slow(code=Operation.GET_STORAGE_INFO, seconds=0.05)
    bench = rig(fault)
    remote = bench.connect()
    assert len(remote.storage()) == 1
    assert bench.body.faults.struck == (fault,)
    assert remote.errors() == []


def test_slow_answer_beyond_the_time_limit(rig: Build) -> None:
    # libgphoto2 waits 2.5 s for each read (ptpip-private.h, PTPIP_DEFAULT_TIMEOUT_S and _MS).
    bench = rig(Slow(code=Operation.GET_STORAGE_INFO, seconds=60))
    remote = bench.connect()
    assert code_of(remote.storage) in {TIMEOUT, IO}
    remote.close()
    assert bench.connect().errors() == []


def test_busy_for_a_while(rig: Build) -> None:
    bench = rig(Refuse(code=Operation.INITIATE_CAPTURE, times=2))
    remote = bench.connect()
    assert code_of(remote.trigger) == BUSY
    assert code_of(remote.trigger) == BUSY
    assert names(bench.shoot(remote)) == ["BNCH0001.DNG"]


def test_setting_refused(rig: Build) -> None:
    bench = rig(
        Refuse(
            code=Operation.SET_DEVICE_PROP_VALUE,
            parameter=Property.F_NUMBER,
            response=Response.INVALID_DEVICE_PROP_VALUE,
        )
    )
    remote = bench.connect()
    assert code_of(remote.set, "f-number", "f/11") == BAD_PARAMETERS
    assert remote.get("f-number") == "f/8"
    assert remote.set("iso", "200") == "200"
    assert remote.set("f-number", "f/11") == "f/11"


@pytest.mark.parametrize("by", [4096, -4096])
@pytest.mark.parametrize("size", [20_000, 2_000_000])
def test_size_that_is_not_true(rig: Build, by: int, size: int) -> None:
    # libgphoto2 does not notice: whoever fetches has to compare. Long files come in parts up to
    # the stated size, so that one which is longer than stated is cut to just that size.
    bench = rig(WrongSize(by=by), size=size)
    remote = bench.connect()
    taken = remote.capture()
    assert remote.info(*taken)[0] == size + by
    came = remote.fetch(*taken)
    assert len(came) == (size + by if size > 1 << 20 and by < 0 else size)
    assert bench.scene.picture(1).raw.startswith(came)


@pytest.mark.parametrize("size", [20_000, 2_000_000])
def test_truncated_file(rig: Build, size: int) -> None:
    bench = rig(Truncated(keep=9000), size=size)
    remote = bench.connect()
    taken = remote.capture()
    assert remote.info(*taken)[0] == size
    assert remote.fetch(*taken) == bench.scene.picture(1).raw[:9000]


def test_corrupted_file(rig: Build) -> None:
    bench = rig(Corrupted(offset=-100, length=3))
    remote = bench.connect()
    taken = remote.capture()
    good, came = bench.scene.picture(1).raw, remote.fetch(*taken)
    assert len(came) == len(good)
    assert [i for i in range(len(good)) if came[i] != good[i]] == [19_900, 19_901, 19_902]


def test_card_runs_full_during_the_exposure(rig: Build) -> None:
    bench = rig(FullCard(times=2))
    remote = bench.connect()
    assert code_of(remote.capture) == NO_MEMORY
    remote.trigger()
    bench.body.wait()
    assert ("other", "PTP Event 400a, Param1 00010001") in remote.drain()
    assert remote.files() == []
    assert names(bench.shoot(remote)) == ["BNCH0001.DNG"]


def test_card_without_room_refuses(rig: Build) -> None:
    bench = rig(capacity=50_000)
    remote = bench.connect()
    assert len(names(bench.shoot(remote)) + names(bench.shoot(remote))) == 2
    assert code_of(remote.trigger) == ERROR
    assert remote.said() == ["PTP Store Full"]


def test_battery_falls_and_the_shutter_stays_shut(rig: Build) -> None:
    bench = rig(BatteryFalls(nth=2, percent=2))
    remote = bench.connect()
    assert names(bench.shoot(remote)) == ["BNCH0001.DNG"]
    assert code_of(remote.trigger) == ERROR
    assert remote.get("batterylevel") == "2%"
    changed = 'PTP Property 00005001 changed, "batterylevel" to "2%"'
    assert ("other", changed) in remote.drain()
    assert len(remote.files()) == 1


def test_exposure_of_which_nothing_is_heard(rig: Build) -> None:
    bench = rig(NeverCompletes())
    remote = bench.connect()
    assert bench.shoot(remote) == []
    assert names(bench.shoot(remote)) == ["BNCH0001.DNG"]


def test_capture_hangs_when_nothing_is_heard(rig: Build) -> None:
    # libgphoto2's own loop in camera_capture has no time limit; another process has to end it.
    bench = rig(NeverCompletes())
    remote = bench.connect()
    done = threading.Event()
    errors: list[BaseException] = []

    def capture() -> None:
        try:
            remote.capture(seconds=3.0)
        except BaseException as error:
            errors.append(error)
        done.set()

    threading.Thread(target=capture, daemon=True).start()
    assert done.wait(30)
    assert [type(error).__name__ for error in errors] == ["WorkerHung"]
    assert names(bench.shoot(bench.connect())) == ["BNCH0001.DNG"]


def test_lost_event(rig: Build) -> None:
    # The first ObjectAdded is for the new folder, the second for the file.
    bench = rig(LostEvent(code=Event.OBJECT_ADDED, nth=2))
    remote = bench.connect()
    events = bench.shoot(remote)
    assert names(events) == []
    assert events[-1] == ("complete", None)
    remote.exit()
    remote.init()
    assert remote.files() == [(FOLDER, "BNCH0001.DNG")]


def test_duplicate_event(rig: Build) -> None:
    bench = rig(DuplicateEvent(code=Event.OBJECT_ADDED, nth=2))
    remote = bench.connect()
    assert names(bench.shoot(remote)) == ["BNCH0001.DNG", "BNCH0001.DNG"]
    assert remote.files() == [(FOLDER, "BNCH0001.DNG")]


def test_second_file_comes_late(rig: Build) -> None:
    bench = rig(LateSecondFile(seconds=0.3))
    remote = bench.connect()
    remote.set("imagequality", "NEF+Fine")
    remote.trigger()
    early: list[str] = []
    while not early:
        early = names(remote.drain())
    assert early == ["BNCH0001.DNG"]
    bench.body.wait()
    assert names(remote.drain()) == ["BNCH0001.JPG"]


def test_same_name_in_another_folder(rig: Build) -> None:
    bench = rig(SameName(nth=2))
    remote = bench.connect()
    first, second = remote.capture(), remote.capture()
    assert first == (FOLDER, "BNCH0001.DNG")
    assert second == ("/store_00010001/DCIM/101BENCH", "BNCH0001.DNG")
    assert remote.fetch(*first) == bench.scene.picture(1).raw
    assert remote.fetch(*second) == bench.scene.picture(2).raw


def test_same_name_in_the_same_folder(rig: Build) -> None:
    # libgphoto2 2.5.34 cannot list such a folder at all; newer ones list the first of the two.
    bench = rig(SameName(nth=2, same=True))
    remote = bench.connect()
    first = remote.capture()
    bench.shoot(remote)
    pictures = [item for item in bench.body.card.items() if not item.is_folder]
    assert [item.name for item in pictures] == ["BNCH0001.DNG", "BNCH0001.DNG"]
    remote.exit()
    remote.init()
    try:
        listed = remote.files()
    except GphotoError as error:
        listed = error.code
    assert listed in ([first], FILE_EXISTS)
    assert remote.fetch(*first) == bench.scene.picture(1).raw


@pytest.mark.parametrize(
    "name", ["..", "\x1b[2J\x1b]0;title\x07.DNG", "a\nb\r\tc.DNG", "x" * 100 + ".DNG", "été☃.DNG"]
)
def test_bad_names_come_through(rig: Build, name: str) -> None:
    bench = rig(BadName(name=name))
    remote = bench.connect()
    taken = names(bench.shoot(remote))
    assert taken in ([name], [name.encode("ascii", "replace").decode()])
    assert remote.fetch(FOLDER, taken[0]) == bench.scene.picture(1).raw


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "x" * 250, ""])
def test_names_that_libgphoto2_cannot_take(rig: Build, name: str) -> None:
    # What it makes of them is its own affair; the camera must go on working for the next client.
    bench = rig(BadName(name=name))
    remote = bench.connect()
    with contextlib.suppress(TetherError):
        bench.shoot(remote)
    remote.close()
    again = bench.connect()
    assert again.capture()[1] == "BNCH0002.DNG"
