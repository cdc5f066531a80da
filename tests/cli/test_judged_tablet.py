"""The command `tablet`: densities of the bench's step tablet, as JSON and in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.optics import OpticsConfig
from tether_simulator.imaging.sensor import SensorConfig

from tether.cli.judged_files import certificate, nominal_densities, tablet_files
from tether.cli.judged_text import tablet_text
from tether.cli.main import app
from tether.errors import TetherError

ROOT = Path(__file__).parents[2]
CHANNELS = {"R", "G1", "G2", "B"}
STEPS = nominal_densities(21)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tablet, the open gate and the lamp off; the tablet again through a hazy lens."""
    folder = tmp_path_factory.mktemp("tablet")

    def shoot(bench: CopyStand, name: str, seconds: float) -> None:
        (folder / name).write_bytes(bench.expose(CameraExposure(seconds, 8.0, 100.0)).raw)

    for name, glare in (("clear", 0.0), ("hazy", 0.002)):
        bench = CopyStand(
            BenchConfig(
                sensor=SensorConfig(1200, 800), target="step-tablet", seed=2,
                optics=OpticsConfig(veiling_glare=glare),
            )
        )  # fmt: skip
        bench.hand.remove_film()
        shoot(bench, f"{name}-gate.dng", 1 / 30)
        bench.hand.go_to(1)
        shoot(bench, f"{name}.dng", 1 / 25)
    shoot(bench, "long.dng", 1 / 4)
    bench.hand.lamp(False)
    shoot(bench, "off.dng", 1 / 25)
    return folder


def test_steps_of_known_density(files: Path) -> None:
    (row,) = tablet_files([files / "clear.dng"], files / "clear-gate.dng", files / "off.dng", STEPS)
    assert (row["rows"], row["columns"]) == (3, 7)
    assert len(row["steps"]) == 21
    # ISO 5-1: D = -log10 T. 21 steps of 0.15 (common practice, no published source).
    for index, step in enumerate(row["steps"]):
        assert step["step"] == index + 1
        assert set(step["density"]) == CHANNELS
        for value in step["density"].values():
            assert value == pytest.approx(0.05 + 0.15 * index, abs=0.005 + 0.01 * (index > 13))
    for figures in row["channels"].values():
        assert figures["spacing"] == pytest.approx(0.15, abs=0.002)
        assert figures["slope"] == pytest.approx(1, abs=0.01)
        assert figures["range"] == pytest.approx(3.0, abs=0.03)
        assert figures["reads_true_to"] == pytest.approx(3.05)
        assert figures["monotonic"] is True
    documented = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    keys = [*row, *row["steps"][0], *row["channels"]["R"]]
    assert [key for key in keys if f"`{key}`" not in documented] == []


def test_a_certificate_is_held_against_the_reading(files: Path, tmp_path: Path) -> None:
    listed = tmp_path / "certificate.csv"
    truth = [0.05 + 0.15 * index for index in range(21)]
    listed.write_text(
        "step, density\n" + "".join(f"{n}, {d:.2f}\n" for n, d in enumerate(truth, 1))
    )
    assert certificate(listed) == pytest.approx(truth)
    # Handbooks give silver a Callier quotient of 1.0 to 1.5: read in directed light, a tablet is as
    # much denser than its certificate, which is for diffuse light.
    diffuse = [0.05 + 0.15 / 1.2 * index for index in range(21)]
    (row,) = tablet_files([files / "clear.dng"], files / "clear-gate.dng", None, diffuse)
    assert row["steps"][20]["nominal"] == pytest.approx(2.55)
    assert row["channels"]["G1"]["slope"] == pytest.approx(1.2, abs=0.01)
    assert "Callier's effect" in tablet_text([row])
    (right,) = tablet_files([files / "clear.dng"], files / "clear-gate.dng", None, truth)
    assert "Callier" not in tablet_text([right])
    assert "too thin" not in tablet_text([right])


@pytest.mark.parametrize("text", ["", "0.1\n0.2\n", "0.1\n0.3\n0.2\n", "1\n2\n3\n900\n"])
def test_what_is_no_certificate_is_refused(tmp_path: Path, text: str) -> None:
    listed = tmp_path / "certificate.txt"
    listed.write_text(text)
    with pytest.raises(TetherError, match="does not list the densities"):
        certificate(listed)


def test_haze_shows_where_reading_and_truth_part(files: Path) -> None:
    (row,) = tablet_files([files / "hazy.dng"], files / "hazy-gate.dng", None, STEPS)
    for figures in row["channels"].values():
        assert figures["slope"] < 0.98
        assert figures["reads_true_to"] < 2.9
        assert figures["largest_error"] > 0.1
    assert "read too thin" in tablet_text([row])


def test_what_cannot_be_read_says_why(files: Path) -> None:
    gate = files / "clear-gate.dng"
    rows = tablet_files([files / "long.dng", gate, files / "none.dng"], gate, None, STEPS)
    assert [sorted(row) for row in rows] == [["error", "file"]] * 3
    assert "Clipped" in rows[0]["error"]
    assert "No tablet of 21 even steps" in rows[1]["error"]
    assert rows[2]["error"] == "There is no such file."
    text = tablet_text(rows)
    assert text.count("Not checked.") == 3


def test_the_command(files: Path) -> None:
    runner = CliRunner()
    asked = ["tablet", str(files / "clear.dng"), "--open-gate", str(files / "clear-gate.dng")]
    done = runner.invoke(app, [*asked, "--json"])
    assert done.exit_code == 0
    assert json.loads(done.stdout)[0]["steps"][20]["nominal"] == 3.05
    done = runner.invoke(app, asked)
    assert "Step spacing     0.150" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    done = runner.invoke(app, [*asked, "--steps", "22"])
    assert done.exit_code == 1
    assert "22 even steps" in done.stdout
    done = runner.invoke(app, [*asked, "--steps", "21", "--certificate", "any.txt"])
    assert done.exit_code == 2


def test_with_a_strobe_the_shutter_time_does_not_count(tmp_path: Path) -> None:
    bench = CopyStand(
        BenchConfig(
            sensor=SensorConfig(1200, 800), target="step-tablet", seed=2,
            lamp=LampConfig(strobe=True),
        )
    )  # fmt: skip
    bench.hand.turn_power(-1.5)
    bench.hand.remove_film()
    (tmp_path / "gate.dng").write_bytes(bench.expose(CameraExposure(1 / 60, 8.0, 100.0)).raw)
    bench.hand.go_to(1)
    (tmp_path / "tablet.dng").write_bytes(bench.expose(CameraExposure(1 / 15, 8.0, 100.0)).raw)
    (tmp_path / "strobe.toml").write_text('[light]\nkind = "strobe"\n')
    asked = ["tablet", "--json", str(tmp_path / "tablet.dng"), "--open-gate"]
    asked += [str(tmp_path / "gate.dng"), "--settings", str(tmp_path / "strobe.toml")]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    first = json.loads(done.stdout)[0]["steps"][0]["density"]
    # The clear step is 0.05 D; by the ratio of the times it would read 0.60 D more (log10 4).
    assert all(value == pytest.approx(0.05, abs=0.01) for value in first.values())
