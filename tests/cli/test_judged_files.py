"""The commands `measure` and `light`: documented keys, densities, bad files, words for people."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path

import numpy as np
import pytest
import rawpy
from click.testing import CliRunner
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.film.curve import FILMS
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig

from tether.cli.judged_files import finite, light_files, measure_files
from tether.cli.judged_text import light_text, measure_text
from tether.cli.main import app
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.measure.levels import with_observed_saturation
from tether.measure.light.open_gate import shows_film
from tether.measure.survey import survey
from tether.raw import open_mosaic

ROOT = Path(__file__).parents[2]
CHANNELS = {"R", "G1", "G2", "B"}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A colour negative's frame, one shot much too long, the open gate, and the lamp off."""
    folder = tmp_path_factory.mktemp("raw")
    bench = CopyStand(
        BenchConfig(process=FilmProcess.COLOUR_NEGATIVE, seed=4, sensor=SensorConfig(1200, 800))
    )
    bench.hand.remove_film()

    def shoot(name: str, seconds: float) -> None:
        (folder / name).write_bytes(bench.expose(CameraExposure(seconds, 8.0, 100.0)).raw)

    shoot("gate.dng", 1 / 40)
    bench.hand.lamp(False)
    shoot("off.dng", 1 / 40)
    bench.hand.lamp(True)
    bench.hand.go_to(1)
    shoot("frame.dng", 1 / 10)
    shoot("long.dng", 1 / 2)
    (folder / "notes.txt").write_text("no raw file")
    return folder


def test_the_documented_keys(files: Path) -> None:
    (row,) = measure_files([files / "frame.dng"], FilmProcess.COLOUR_NEGATIVE)
    data = (files / "frame.dng").read_bytes()
    assert row["file"] == str(files / "frame.dng")
    assert row["sha256"] == hashlib.sha256(data).hexdigest()
    assert (row["width"], row["height"]) == (1200, 800)
    for key in ("saturated", "saturated_picture", "headroom_ev"):
        assert set(row[key]) == CHANNELS
    assert row["verdict"] in ("keep", "look", "reshoot")
    assert isinstance(row["base_ev"], float)
    assert isinstance(row["advice_ev"], float)
    assert "density" not in row
    documented = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    assert [key for key in row if f"`{key}`" not in documented] == []


def test_the_place_of_the_picture_is_where_the_bench_put_it(tmp_path: Path) -> None:
    sensor = SensorConfig(1536, 1024)
    bench = CopyStand(BenchConfig(framing="wide", seed=3, sensor=sensor, edge_print=True))
    bench.hand.go_to(4)
    (tmp_path / "frame.dng").write_bytes(bench.expose(CameraExposure(1 / 15, 8.0, 100.0)).raw)
    (row,) = measure_files([tmp_path / "frame.dng"], FilmProcess.BW_NEGATIVE)
    found, scale = row["framing"], bench.view.scale
    x, y = bench.film_map().to_sensor(0.0, 0.0)
    assert found["offset_mm"] == pytest.approx([(x - 768) / scale, (y - 512) / scale], abs=0.1)
    assert found["pixels_per_mm"] == pytest.approx(scale, rel=0.003)
    assert found["pixels_per_inch"] == pytest.approx(25.4 * scale, rel=0.003)
    # ISO 1754: a picture of 36 mm by 24 mm.
    assert found["sensor_share"] == pytest.approx(36 * 24 * scale**2 / (1536 * 1024), rel=0.01)
    assert found["missing_mm"] == dict.fromkeys(("left", "top", "right", "bottom"), 0.0)
    assert row["edge_code"]["base_side_to_lens"] is False, "the emulsion is toward the lens"


def test_saturated_counts_what_the_file_holds(files: Path) -> None:
    (row,) = measure_files([files / "long.dng"], FilmProcess.COLOUR_NEGATIVE)
    with rawpy.imread(str(files / "long.dng")) as raw:
        # rawpy as the independent reader of the same file.
        seen, colours = raw.raw_image_visible, raw.raw_colors_visible
        for index, name in enumerate(("R", "G1", "B", "G2")):
            share = np.mean(seen[colours == index] >= raw.white_level)
            assert row["saturated"][name] == pytest.approx(share, abs=1e-9)
    assert row["saturated"]["R"] > 0.1
    assert row["verdict"] == "reshoot"
    assert any(f["code"] and f["text"] for f in row["findings"])


def test_densities_against_the_open_gate(files: Path) -> None:
    (row,) = measure_files([files / "frame.dng"], FilmProcess.COLOUR_NEGATIVE, files / "gate.dng")
    base = FILMS[FilmProcess.COLOUR_NEGATIVE].base
    for name, made in zip(("R", "G1", "B"), base, strict=True):
        seen = row["density"][name]
        assert seen["base"] == pytest.approx(made, abs=0.02)
        assert seen["base"] - 0.05 < seen["p1"] < seen["p50"] < seen["p99"]


def test_a_bad_file_does_not_keep_the_others_from_being_judged(files: Path) -> None:
    names = ["notes.txt", "frame.dng", "missing.dng", "."]
    rows = measure_files([files / n for n in names], FilmProcess.BW_NEGATIVE)
    assert [sorted(row) == ["error", "file"] for row in rows] == [True, False, True, True]
    assert "verdict" in rows[1]
    assert rows[2]["error"] == "There is no such file."
    assert rows[3]["error"] == "This is a folder. Name the raw files in it."


def test_a_bad_open_gate_is_refused(files: Path) -> None:
    with pytest.raises(TetherError, match="notes"):
        measure_files([files / "frame.dng"], FilmProcess.BW_NEGATIVE, files / "notes.txt")


def test_words_for_a_person(files: Path) -> None:
    process = FilmProcess.COLOUR_NEGATIVE
    hostile = files / "a\x1b[2Jb\u202e.dng"
    rows = measure_files([files / "frame.dng", files / "long.dng", hostile], process)
    text = measure_text(rows, process)
    assert text.startswith("frame.dng   1200 x 800\n")
    assert "✗ Reshoot" in text
    assert "Not checked." in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert max(map(len, text.splitlines())) <= 100


def test_the_way_to_the_target_is_said_as_light(files: Path) -> None:
    process = FilmProcess.COLOUR_NEGATIVE
    (row,) = measure_files([files / "frame.dng"], process)
    for advice, said in (
        (0.7, "clipping. 0.7 stops more light would meet the target."),
        (-0.1, "clipping. 0.1 stops less light would meet the target."),
        (0.04, "clipping."),
    ):
        text = measure_text([row | {"base_ev": -0.4, "advice_ev": advice}], process)
        words = " ".join(text.split())
        assert f"The film base is 0.4 stops below {said}" in words


def test_light(files: Path) -> None:
    (row,) = light_files([files / "gate.dng"], files / "off.dng")
    assert -2 < row["mean_ev"] < -0.5
    assert 0 < row["evenness_percent"] < 12
    # Per cent and stops say the same: 1 - 2^-EV.
    assert row["evenness_percent"] == pytest.approx(100 * (1 - 2 ** -row["evenness_ev"]), abs=0.1)
    assert (row["flicker_percent"], row["flicker_bands"]) == (0, 0)
    # ISO 12232 (from memory): a meter puts an even field at 10 / 78 of saturation.
    assert row["metered_ev"] == pytest.approx(math.log2(10 / 78), abs=0.001)
    # The bench's sensor sees 5000 K with 0.58 and 0.68 of green.
    assert row["neutral"]["R/G"] == pytest.approx(0.58, abs=0.01)
    assert row["neutral"]["B/G"] == pytest.approx(0.68, abs=0.01)
    assert row["stray_share"] < 0.001
    assert set(row["saturated"]) == CHANNELS
    documented = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    assert [key for key in row if f"`{key}`" not in documented] == []
    text = light_text([row])
    assert "even and steady" in text
    assert "no bands found" in text


def test_a_frame_of_film_is_no_open_gate(files: Path) -> None:
    done = CliRunner().invoke(app, ["light", str(files / "frame.dng"), str(files / "gate.dng")])
    assert done.exit_code == 1
    assert "This is no open gate: there is film in it." in done.output
    assert "Level" in done.output, "the open gate is judged anyway"


def test_nothing_is_measured_of_a_clipped_open_gate(tmp_path: Path) -> None:
    bare = CopyStand(BenchConfig(seed=7, sensor=SensorConfig(600, 400)))
    bare.hand.remove_film()
    (tmp_path / "gate.dng").write_bytes(bare.expose(CameraExposure(2.0, 8.0, 100.0)).raw)
    text = light_text(light_files([tmp_path / "gate.dng"], None))
    assert "Level     clipped" in text
    assert "Evenness" not in text


@pytest.mark.parametrize("process", FilmProcess)
def test_film_in_the_gate_is_told_from_a_lamp(tmp_path: Path, process: FilmProcess) -> None:
    def told(bench: CopyStand, seconds: float) -> bool:
        (tmp_path / "view.dng").write_bytes(bench.expose(CameraExposure(seconds, 8.0, 100.0)).raw)
        mosaic = with_observed_saturation(open_mosaic(tmp_path / "view.dng"))
        return shows_film(survey(mosaic))

    small = SensorConfig(600, 400)
    film = CopyStand(BenchConfig(process=process, seed=7, sensor=small))
    for frame in range(1, 7):
        film.hand.go_to(frame)
        assert told(film, 1 / 15), frame
    for lamp in (LampConfig(), LampConfig(flicker=0.5), LampConfig(gradient_x=0.4)):
        bare = CopyStand(BenchConfig(seed=7, sensor=small, lamp=lamp))
        bare.hand.remove_film()
        for seconds in (1 / 40, 1 / 400):
            assert not told(bare, seconds), (lamp, seconds)


def test_the_commands_print_a_list_and_count_failures(files: Path) -> None:
    runner = CliRunner()
    paths = [str(files / "frame.dng"), str(files / "notes.txt")]
    done = runner.invoke(app, ["measure", *paths, "--film", "colour-negative", "--json"])
    assert done.exit_code == 1
    rows = json.loads(done.stdout)
    assert [set(row) >= {"file"} for row in rows] == [True, True]
    assert "error" in rows[1]
    done = runner.invoke(app, ["light", str(files / "gate.dng"), "--json"])
    assert done.exit_code == 0
    assert "neutral" in json.loads(done.stdout)[0]


def test_numbers_that_json_does_not_know_become_null() -> None:
    # RFC 8259, section 6: infinity and NaN are not permitted.
    cleaned = finite({"a": float("inf"), "b": [float("nan"), 1.5], "c": "x"})
    assert cleaned == {"a": None, "b": [None, 1.5], "c": "x"}
