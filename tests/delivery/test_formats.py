"""What scripts and archives rely on: columns, JSON keys, and the command's exit codes.

`formats.json` holds them as they are promised in docs/json.md and docs/archive-files.md. A new key
is written there as well; one that is renamed or gone breaks a script that somebody has.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.delivery.delivering import Kept, kept_roll
from tether.archive.records import FrameState
from tether.cli.main import app

PROMISED = json.loads((Path(__file__).parent / "formats.json").read_text("utf-8"))

#: Keys that are names of files, channels, roles and settings, which are not fixed.
_NAMES = {
    "samples", "printed", "raw_positives", "files", "choices", "settings", "saturated",
    "saturated_picture",
    "description", "headroom_ev", "neutral", "density", "channels", "counts", "facts",
}  # fmt: skip


def shape(value: Any, name: str = "") -> Any:
    """Return the keys of an object, of its objects, and of the first object of each list."""
    if isinstance(value, dict):
        if name in _NAMES:
            inner = next(iter(value.values()), None)
            return {"*": shape(inner)} if isinstance(inner, dict | list) else "*"
        return {key: shape(item, key) for key, item in sorted(value.items())}
    if isinstance(value, list):
        return [shape(item) for item in value[:1] if isinstance(item, dict)]
    return ""


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    roll = kept_roll(tmp_path_factory.mktemp("formats") / "archive")
    roll.deliver(turns={2: 90}, raw_positive=True)
    yield roll
    roll.archive.close()


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A frame, the open gate, the lamp off, a step tablet and its open gate."""
    folder = tmp_path_factory.mktemp("raw")

    def shoot(bench: CopyStand, name: str, seconds: float) -> None:
        (folder / name).write_bytes(bench.expose(CameraExposure(seconds, 8.0, 100.0)).raw)

    small = SensorConfig(1200, 800)
    frames, tablet = CopyStand(BenchConfig(sensor=small)), CopyStand(
        BenchConfig(sensor=small, target="step-tablet", seed=2)
    )  # fmt: skip
    for bench, gate, film in ((frames, "gate", "frame"), (tablet, "tablet-gate", "tablet")):
        bench.hand.remove_film()
        shoot(bench, f"{gate}.dng", 1 / 30)
        bench.hand.go_to(1)
        shoot(bench, f"{film}.dng", 1 / 25)
    frames.hand.lamp(False)
    shoot(frames, "off.dng", 1 / 30)
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def printed(*words: object) -> Any:
    done = run(*words)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_files_of_a_delivery(kept: Kept) -> None:
    folder = kept.folder / "delivered"
    for name in ("delivery.json", "roll.json"):
        assert shape(json.loads((folder / name).read_text("utf-8"))) == PROMISED[name], name
    with (folder / "roll.csv").open(encoding="utf-8-sig", newline="") as file:
        assert next(csv.reader(file)) == PROMISED["roll.csv"]


def test_what_commands_print_as_json(kept: Kept, raw: Path) -> None:
    gate = raw / "gate.dng"
    film = ("--film", "bw-negative", "--open-gate", gate)
    tablet = ("--open-gate", raw / "tablet-gate.dng", "--lamp-off", raw / "off.dng")
    shapes = {
        "measure": shape(printed("measure", raw / "frame.dng", *film, "--json")),
        "light": shape(printed("light", gate, "--lamp-off", raw / "off.dng", "--json")),
        "tablet": shape(printed("tablet", raw / "tablet.dng", *tablet, "--json")),
        "rolls": shape(printed("rolls", "--archive", kept.archive.root, "--json")),
        "plan": shape(
            printed("plan", "--pixels", "45", "--focal", "100", "--rolls", "3", "--json")
        ),
    }
    assert shapes == {name: PROMISED[name] for name in shapes}
    failed = run("light", raw / "nothing.dng", "--json")
    assert (failed.exit_code, shape(json.loads(failed.stdout))) == (1, PROMISED["failed"])


def test_exit_codes_of_a_delivery(kept: Kept) -> None:
    deliver = ("deliver", "Harbour", "--archive", kept.archive.root, "--half", "--no-tiff")
    assert run(*deliver, "--turn", "2=90").exit_code == 0
    assert run(*deliver, "--turn", "2=45").exit_code == 2, "no quarter turn"
    assert run(*deliver, "--workers", "none").exit_code == 2, "what click does not understand"
    kept.archive.store.frames.decide(kept.roll.id, 1, FrameState.KEPT, kept_take(kept, 2))
    path = kept.folder / "Harbour_f001_t2.dng"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    done = run(*deliver)
    assert done.exit_code == 1, "trouble with a file"
    assert "is not the file that was recorded" in done.output


def kept_take(kept: Kept, take: int) -> int:
    frame = kept.archive.store.frames.of(kept.roll)[0]
    (found,) = (c.id for c in frame.captures if c.take == take)
    return found
