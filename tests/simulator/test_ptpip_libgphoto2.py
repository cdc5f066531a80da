"""What libgphoto2 (the outside judge) makes of the simulated camera: it must find no fault."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from tether_simulator.camera.dials import fraction
from tether_simulator.ptp import Property

from tests.simulator.conftest import Rig

Build = Callable[..., Rig]
DCIM = "/store_00010001/DCIM"


def test_summary_names_camera_and_files(rig: Build) -> None:
    remote = rig().connect()
    summary = remote.summary()
    assert "Manufacturer: Simulated" in summary
    assert "Model: Bench Camera" in summary
    assert "Capture Formats: DNG JPEG" in summary
    assert "File Download, File Deletion, No File Upload" in summary
    assert "Digital Camera Layout (DCIM)" in summary
    assert remote.errors() == []


def test_whole_configuration_can_be_read(rig: Build) -> None:
    remote = rig().connect()
    tree = remote.tree()
    assert tree["serialnumber"] == "00000001"
    assert tree["batterylevel"] == "100%"
    assert tree["shutterspeed2"] == "1/15"
    assert tree["f-number"] == "f/8"
    assert tree["iso"] == "100"
    assert tree["whitebalance"] == "Daylight"
    assert tree["focusmode"] == "Manual"
    assert tree["imagequality"] == "NEF (Raw)"
    assert tree["expprogram"] == "M"
    assert remote.errors() == []


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("shutterspeed2", "1/8000"),
        ("shutterspeed2", "30"),
        ("shutterspeed2", "10/13"),
        ("shutterspeed", "0.5000s"),
        ("f-number", "f/5.6"),
        ("f-number", "f/22"),
        ("iso", "6400"),
        ("whitebalance", "Tungsten"),
        ("whitebalance", "Automatic"),
        ("focusmode", "Automatic"),
        ("imagequality", "NEF+Fine"),
        ("imagequality", "JPEG Fine"),
        ("expprogram", "A"),
        ("capturetarget", "Memory card"),
        ("datetime", 1_700_000_000),
    ],
)
def test_every_setting_can_be_set(rig: Build, name: str, value: object) -> None:
    remote = rig().connect()
    assert remote.set(name, value) == value
    assert remote.errors() == []


def test_shutters_are_a_third_of_a_stop_apart(rig: Build) -> None:
    # The trade's nominal scale in thirds of a stop; its rounded marks (1/13 beside 1/15) stray by
    # up to an eighth of a stop (common practice, no published source).
    remote = rig().connect()
    seconds = [float(Fraction(text)) for text in remote.choices("shutterspeed2")]
    assert seconds[0] == 30
    assert seconds[-1] == 1 / 8000
    steps = [long / short for long, short in pairwise(seconds)]
    assert all(2 ** (1 / 3 - 0.13) < step < 2 ** (1 / 3 + 0.13) for step in steps)


def test_picture_is_exposed_as_set(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    remote.set("shutterspeed2", "1/60")
    remote.set("f-number", "f/11")
    remote.set("iso", "200")
    remote.set("whitebalance", "Tungsten")
    remote.capture()
    (exposure,) = bench.scene.exposures
    assert (exposure.seconds, exposure.f_number, exposure.iso) == (1 / 60, 11, 200)
    assert exposure.white_balance == "Tungsten"


@pytest.mark.parametrize("size", [1000, 1 << 20, (1 << 20) + 1, 3_500_000])
def test_capture_and_fetch_bit_exact(rig: Build, size: int) -> None:
    # libgphoto2 fetches up to 1 MiB in one piece and longer files in parts.
    bench = rig(size=size)
    remote = bench.connect()
    folder, name = remote.capture()
    assert (folder, name) == (f"{DCIM}/100BENCH", "BNCH0001.DNG")
    assert remote.fetch(folder, name) == bench.scene.picture(1).raw
    assert remote.info(folder, name)[2:] == ("image/x-adobe-dng", 6000, 4000)
    assert remote.info(folder, name)[0] == size
    assert remote.errors() == []


def test_events_of_raw_and_jpeg(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    remote.set("imagequality", "NEF+Fine")
    folder = f"{DCIM}/100BENCH"
    assert bench.shoot(remote) == [
        ("folder", (DCIM, "100BENCH")),
        ("file", (folder, "BNCH0001.DNG")),
        ("file", (folder, "BNCH0001.JPG")),
        ("complete", None),
    ]
    assert bench.shoot(remote)[0] == ("file", (folder, "BNCH0002.DNG"))
    assert remote.fetch(folder, "BNCH0002.JPG") == bench.scene.picture(2).jpeg
    assert len(remote.files()) == 4
    assert remote.errors() == []


def test_jpeg_alone(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    remote.set("imagequality", "JPEG Fine")
    assert [detail[1] for kind, detail in bench.shoot(remote) if kind == "file"] == ["BNCH0001.JPG"]


def test_parts_thumbnails_and_room(rig: Build) -> None:
    bench = rig(size=50_000, capacity=1_024_000)
    remote = bench.connect()
    folder, name = remote.capture()
    raw = bench.scene.picture(1).raw
    assert remote.read(folder, name, 12_345, 1000) == raw[12_345:13_345]
    assert remote.read(folder, name, 49_990, 1000) == raw[49_990:]
    assert remote.fetch(folder, name, True) == bench.scene.picture(1).thumbnail
    left = 1_024_000 - 50_000
    assert remote.storage() == [
        ("/store_00010001", "Memory card", 1000, left // 1024, left // 50_000)
    ]
    assert remote.errors() == []


def test_delete_removes_one_file(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    first, second = remote.capture(), remote.capture()
    remote.delete(*first)
    assert remote.files() == [second]
    assert [item.name for item in bench.body.card.items() if not item.is_folder] == [second[1]]
    assert remote.errors() == []


def test_live_view(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    bench.body.magnify(5.0, (0.25, 0.75))
    assert remote.preview() == b"\xff\xd8live\xff\xd9"
    assert bench.scene.views[-1][1:] == (5.0, (0.25, 0.75))
    assert bench.body.live
    remote.exit()
    assert not bench.body.live
    assert remote.errors() == []


def test_button_on_the_camera(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    bench.body.press_button()
    bench.body.wait()
    events = remote.drain()
    assert ("file", (f"{DCIM}/100BENCH", "BNCH0001.DNG")) in events
    assert events[-1] == ("complete", None)
    assert remote.errors() == []


def test_dial_turned_by_hand_is_reported(rig: Build) -> None:
    bench = rig()
    remote = bench.connect()
    bench.body.turn(Property.EXPOSURE_INDEX, 400)
    assert remote.drain() == [("other", 'PTP Property 0000500f changed, "iso" to "400"')]
    bench.body.turn(Property.EXPOSURE_TIME_FRACTION, fraction("1/30"))
    texts = [detail for _, detail in remote.drain()]
    assert 'PTP Property 0000d100 changed, "shutterspeed2" to "1/30"' in texts
    assert 'PTP Property 0000500d changed, "shutterspeed" to "0.0333s"' in texts


def test_folder_rolls_over(rig: Build) -> None:
    bench = rig(per_folder=2)
    remote = bench.connect()
    names = [remote.capture() for _ in range(3)]
    assert names == [
        (f"{DCIM}/100BENCH", "BNCH0001.DNG"),
        (f"{DCIM}/100BENCH", "BNCH0002.DNG"),
        (f"{DCIM}/101BENCH", "BNCH0003.DNG"),
    ]
    assert sorted(remote.files()) == names
    assert remote.errors() == []


def test_next_client_after_an_orderly_end(rig: Build) -> None:
    bench = rig()
    first = bench.connect()
    taken = first.capture()
    first.exit()
    second = bench.connect()
    assert second.files() == [taken]
    assert second.fetch(*taken) == bench.scene.picture(1).raw
    assert first.errors() == second.errors() == []


def test_killed_client_does_not_block_the_next(rig: Build) -> None:
    bench = rig()
    first = bench.connect()
    taken = first.capture()
    assert first.child.pid is not None
    os.kill(first.child.pid, signal.SIGKILL)
    second = bench.connect()
    assert second.files() == [taken]
    assert second.errors() == []


def test_card_outlives_the_responder(rig: Build, tmp_path: Path) -> None:
    before = rig(folder=tmp_path / "card")
    taken = before.connect().capture()
    before.remotes[0].close()
    before.responder.close()
    after = rig(folder=tmp_path / "card")
    remote = after.connect()
    assert remote.files() == [taken]
    assert remote.fetch(*taken) == before.scene.picture(1).raw
    assert remote.capture()[1] == "BNCH0002.DNG"


def test_camera_without_the_extension(rig: Build) -> None:
    bench = rig(extended=False)
    remote = bench.connect()
    tree = remote.tree()
    assert tree["shutterspeed"] == "0.0667s"
    assert "shutterspeed2" not in tree
    assert "capturetarget" not in tree
    taken = remote.capture()
    assert remote.errors() == []
    assert remote.fetch(*taken) == bench.scene.picture(1).raw
