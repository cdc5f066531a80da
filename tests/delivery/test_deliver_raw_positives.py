"""Raw positives of a delivered roll: made, remembered, carried along, never taken for captures."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from click.testing import CliRunner
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig

from tests.delivery.delivering import Kept, kept_roll
from tests.exiftool import exiftool
from tether.archive.archive import Archive
from tether.archive.bagit_package import package
from tether.archive.durable import check_arrival
from tether.archive.rebuild import record_by_name
from tether.cli.judged_files import measure_files
from tether.cli.main import app
from tether.film import FilmProcess
from tether.settings import RawPositiveSettings, Settings


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    roll = kept_roll(tmp_path / "archive")
    yield roll
    roll.archive.close()


def made_in(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "raw-positives").glob("*"))


def inside(path: Path) -> tuple[np.ndarray, dict[int, object]]:
    """Return the stored values, and the tags of the first directory."""
    with tifffile.TiffFile(path) as file:
        first = file.pages.first
        assert isinstance(first, tifffile.TiffPage)
        assert first.pages is not None
        return first.pages[0].asarray(), {tag.code: tag.value for tag in first.tags}


def test_each_kept_take_gets_one_and_the_original_stays(kept: Kept) -> None:
    before = {path.name: path.read_bytes() for path in kept.folder.glob("*.dng")}
    result = kept.deliver(raw_positive=True)
    assert (result.raw_made, result.raw_unchanged, result.trouble) == (3, 0, [])
    assert made_in(result.folder) == [f"Harbour_f00{n}_t1_positive.dng" for n in (1, 2, 3)]
    assert {path.name: path.read_bytes() for path in kept.folder.glob("*.dng")} == before
    for number in (1, 2, 3):
        values, tags = inside(result.folder / f"raw-positives/Harbour_f00{number}_t1_positive.dng")
        name = f"Harbour_f00{number}_t1.dng"
        with rawpy.imread(str(kept.folder / name)) as raw:
            assert np.array_equal(values, raw.raw_image_visible)
        assert tags[50827] == name
        packet = bytes(tags[700]).decode()  # type: ignore[call-overload]
        recorded = kept.archive.store.frames.of(kept.roll)[number - 1].chosen
        assert recorded is not None
        assert f"<film:RawSha256>{recorded.sha256}</film:RawSha256>" in packet
        assert "<film:RawPositive>camera</film:RawPositive>" in packet
        assert "<tiff:Orientation>2</tiff:Orientation>" in packet
        assert tags[274] == 2
    found = exiftool(result.folder / "raw-positives/Harbour_f001_t1_positive.dng")
    assert found["Validate"] in ("0 0 0", "OK")


def test_only_what_changed_is_made_again(kept: Kept) -> None:
    kept.deliver(raw_positive=True)
    again = kept.deliver(raw_positive=True, half=False)
    assert (again.raw_made, again.raw_unchanged) == (0, 3), "half size is the positives' affair"
    turned = kept.deliver(raw_positive=True, turns={2: 90})
    assert (turned.raw_made, turned.raw_unchanged) == (1, 2)
    assert inside(turned.folder / "raw-positives/Harbour_f002_t1_positive.dng")[1][274] == 7
    other = kept.deliver(raw_form="computed")
    assert other.raw_made == 3
    (turned.folder / "raw-positives/Harbour_f003_t1_positive.dng").unlink()
    assert kept.deliver(raw_form="computed").raw_made == 1
    without = kept.deliver()
    assert (without.raw_made, without.raw_unchanged) == (0, 0)
    assert len(made_in(without.folder)) == 3, "what is there stays"


def test_the_settings_can_have_them_made_with_every_delivery(kept: Kept) -> None:
    settings = replace(Settings(), raw_positive=RawPositiveSettings(make=True, form="demosaiced"))
    result = kept.deliver(settings)
    assert result.raw_made == 3
    values, tags = inside(result.folder / "raw-positives/Harbour_f001_t1_positive.dng")
    assert values.shape == (256, 384, 3)
    assert str(tags[50708]).endswith("positive of film (demosaiced)")
    assert kept.deliver(settings).raw_unchanged == 3


@pytest.mark.parametrize(
    ("process", "form"),
    [
        (FilmProcess.BW_NEGATIVE, "camera"),
        (FilmProcess.COLOUR_NEGATIVE, "computed"),
        (FilmProcess.TRANSPARENCY, "camera"),
    ],
)
def test_a_film_gets_the_form_that_fits_it(tmp_path: Path, process: FilmProcess, form: str) -> None:
    roll = kept_roll(tmp_path / "archive", process=process, frames=1, expected=1)
    result = roll.deliver(raw_positive=True)
    _, tags = inside(result.folder / "raw-positives/Harbour_f001_t1_positive.dng")
    assert f"({form})" in str(tags[50708])
    roll.archive.close()


def of_lights(notes: list[str]) -> list[str]:
    return [note for note in notes if "headroom_ev" in note]


def test_lights_over_white_are_told_with_the_setting_that_keeps_them(kept: Kept) -> None:
    (note,) = of_lights(kept.deliver(raw_positive=True, exposures={2: 1.5}).notes)
    assert "frames 1, 2" in note or "frame 2" in note
    wanted = float(note.split("headroom_ev = ")[1].split()[0])
    settings = replace(Settings(), raw_positive=RawPositiveSettings(headroom_ev=wanted))
    assert of_lights(kept.deliver(settings, raw_positive=True).notes) == []


def test_an_uneven_light_goes_along_as_a_gain_map(kept: Kept, tmp_path: Path) -> None:
    bench = CopyStand(BenchConfig(sensor=SensorConfig(384, 256), lamp=LampConfig(gradient_x=0.2)))
    bench.hand.remove_film()
    gate = tmp_path / "gate.dng"
    gate.write_bytes(bench.expose(CameraExposure(1 / 60, 8.0, 100.0)).raw)
    even = kept.deliver(raw_positive=True)
    first = "raw-positives/Harbour_f001_t1_positive.dng"
    before = inside(even.folder / first)[0]
    result = kept.deliver(raw_positive=True, flat=gate)
    assert result.raw_made == 3
    values, tags = inside(result.folder / first)
    assert np.array_equal(values, before), "the mosaic still is the camera's"
    stops, of = np.asarray(tags[50730])
    assert stops / of > 0.2, "room for gains under one"
    with tifffile.TiffFile(result.folder / first) as file:
        page = file.pages.first
        assert isinstance(page, tifffile.TiffPage)
        assert page.pages is not None
        assert 51009 in page.pages[0].tags  # type: ignore[union-attr]


def test_tables_and_page_name_them(kept: Kept) -> None:
    result = kept.deliver(raw_positive=True)
    with (result.folder / "roll.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["raw_positive"] == "raw-positives/Harbour_f001_t1_positive.dng"
    assert [row["raw_positive"] for row in rows if row["choice"] == "other"] == [""]
    assert "raw-positives/Harbour_f001_t1_positive.dng" in (result.folder / "index.html").read_text(
        "utf-8"
    )
    record = json.loads((result.folder / "delivery.json").read_text("utf-8"))
    entry = record["raw_positives"]["Harbour_f001_t1_positive.dng"]
    assert "gamma 1.80" in entry["words"]
    ((name, size),) = entry["files"].items()
    assert (result.folder / name).stat().st_size == size


def test_a_package_carries_them(kept: Kept, tmp_path: Path) -> None:
    kept.deliver(raw_positive=True)
    made = package(kept.archive, [kept.roll], tmp_path / "bag")
    first = "delivered/raw-positives/Harbour_f001_t1_positive.dng"
    assert (made / "data" / first).read_bytes() == (kept.folder / first).read_bytes()
    assert first in (made / "manifest-sha256.txt").read_text()


def test_a_damaged_raw_file_costs_no_other_its_raw_positive(kept: Kept) -> None:
    kept.deliver()
    torn = kept.folder / "Harbour_f002_t1.dng"
    torn.write_bytes(torn.read_bytes()[:5000])
    result = kept.deliver(raw_positive=True)
    assert made_in(result.folder) == [f"Harbour_f00{n}_t1_positive.dng" for n in (1, 3)]
    assert any("Harbour_f002_t1.dng" in words for words in result.trouble)


def test_a_folder_that_takes_no_file_is_told(kept: Kept) -> None:
    kept.deliver()
    (kept.folder / "delivered" / "raw-positives").write_text("somebody's file")
    result = CliRunner().invoke(
        app, ["deliver", "Harbour", "--archive", str(kept.archive.root), "--raw-positive"]
    )
    assert result.exit_code != 0
    assert "Traceback" not in result.output


def test_one_is_never_taken_for_a_capture(kept: Kept) -> None:
    result = kept.deliver(raw_positive=True)
    one = result.folder / "raw-positives/Harbour_f001_t1_positive.dng"
    (row,) = measure_files([one], FilmProcess.BW_NEGATIVE)
    assert "is a raw positive" in row["error"]
    assert not check_arrival(one, "IMG_0001.DNG", None).may_be_raw, "nor from a card"
    # Somebody copies it beside the captures, under a capture's name.
    beside = kept.folder / "Harbour_f004_t1.dng"
    shutil.copy(one, beside)
    assert kept.archive.unrecorded_files(kept.roll) == []
    assert record_by_name(kept.archive, kept.roll, kept.archive.unrecorded_files(kept.roll)) == ()
    assert beside.relative_to(kept.folder) in list(kept.archive.derived_files(kept.roll))
    before = len(kept.archive.store.frames.recorded(kept.roll.id))
    kept.archive.close()
    database = kept.archive.root / "tether.sqlite3"
    for path in database.parent.glob("tether.sqlite3*"):
        path.unlink()
    done = CliRunner().invoke(app, ["rebuild", "--archive", str(kept.archive.root)])
    assert done.exit_code == 0, done.output
    with closing(Archive(kept.archive.root)) as again:
        roll = again.store.rolls.named("Harbour")
        assert len(again.store.frames.recorded(roll.id)) == before


def test_the_command_says_what_it_made(kept: Kept) -> None:
    words = ["deliver", "Harbour", "--archive", str(kept.archive.root), "--half", "--no-tiff"]
    words += ["--raw-form", "camera", "--workers", "1"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "3 raw positives made." in done.output
    assert "3 unchanged" in CliRunner().invoke(app, words).output


def test_all_contrasts_can_be_made_and_each_states_its_gamma(kept: Kept) -> None:
    raw = RawPositiveSettings(make=True, contrasts="all")
    result = kept.deliver(replace(Settings(), raw_positive=raw), contrasts={2: "hard"})
    found: dict[str, list[str]] = {}
    for path in sorted((result.folder / "raw-positives").glob("*.dng")):
        packet = bytes(inside(path)[1][700]).decode()  # type: ignore[call-overload]
        gamma = packet.split("<film:RawPositiveGamma>")[1].split("<")[0]
        assert f"gamma {gamma}" in str(inside(path)[1][270])
        found.setdefault(path.name[:12], []).append(gamma)
    positive = Settings().positive
    soft, normal, hard = (
        f"{value:.2f}"
        for value in (positive.soft_contrast, positive.contrast, positive.hard_contrast)
    )
    assert found["Harbour_f001"] == [normal, hard, soft]
    assert found["Harbour_f002"] == [hard, normal, soft], "the chosen one has the plain name"
    again = kept.deliver(replace(Settings(), raw_positive=raw))
    assert (again.raw_made, again.raw_unchanged) == (0, 9)


def test_a_transparency_has_one_contrast(tmp_path: Path) -> None:
    roll = kept_roll(tmp_path / "archive", process=FilmProcess.TRANSPARENCY, frames=1, expected=1)
    raw = RawPositiveSettings(make=True, contrasts="all")
    assert roll.deliver(replace(Settings(), raw_positive=raw)).raw_made == 1
    roll.archive.close()
