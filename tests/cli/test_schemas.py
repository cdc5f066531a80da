"""The JSON of commands against the published schemas (JSON Schema, draft 2020-12)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.delivery.delivering import Kept, kept_roll
from tether.cli.main import app

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"


def schema(name: str) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((SCHEMAS / f"{name}.json").read_text("utf-8"))
    return read


def printed(name: str, *words: object) -> Any:
    """Return what a command prints, after it was held against its schema."""
    done = CliRunner().invoke(app, [name, *map(str, words), "--json"])
    assert done.stdout.startswith(("{", "[")), done.output
    found = json.loads(done.stdout)
    # As strict as can be: here a key that the schema does not name is a mistake.
    Draft202012Validator(closed(schema(name))).validate(found)
    return found


def closed(part: Any) -> Any:
    """Return a schema in which an object has the keys that are named, and no other."""
    if isinstance(part, list):
        return [closed(item) for item in part]
    if not isinstance(part, dict):
        return part
    made = {
        key: {name: closed(item) for name, item in value.items()}
        if key == "properties"
        else closed(value)
        for key, value in part.items()
    }
    return made | ({"additionalProperties": False} if "properties" in made else {})


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    roll = kept_roll(tmp_path_factory.mktemp("schemas") / "archive", frames=2, expected=2)
    yield roll
    roll.archive.close()


def test_every_schema_is_one_and_every_command_that_prints_json_has_one() -> None:
    for path in SCHEMAS.glob("*.json"):
        Draft202012Validator.check_schema(json.loads(path.read_text("utf-8")))
    with_json = {
        name
        for name, command in app.commands.items()
        if any(option.name == "as_json" for option in command.params)
    }
    assert {path.stem for path in SCHEMAS.glob("*.json")} == with_json


def test_commands_about_rolls_print_what_their_schemas_say(kept: Kept, tmp_path: Path) -> None:
    where = ("--archive", kept.archive.root)
    (made,) = printed("deliver", *where, "--half", "--no-tiff", kept.roll.name)["rolls"]
    assert (made["positives_made"], made["problems"]) == (2, [])
    assert printed("deliver", *where, "--all-new") == {"version": 1, "rolls": []}
    (failed,) = printed("deliver", *where, "No such roll")["rolls"]
    assert "No such roll" in failed["error"]["what"]
    assert printed("edit", *where, kept.roll.name)["name"] == "Harbour"
    assert printed("find", *where, "Harbour")["rolls"][0]["name"] == "Harbour"
    assert printed("day", *where)["unfinished"] == 0
    assert printed("package", *where, kept.roll.name, tmp_path / "bag")["rolls"] == ["Harbour"]
    assert [row["name"] for row in printed("rolls", *where)] == ["Harbour"]
    assert printed("verify", *where)["problems"] == []
    (kept.folder / "Harbour_f001_t2.dng").write_bytes(b"other")
    (wrong,) = printed("verify", *where)["problems"]
    assert wrong["kind"] == "changed"
    assert printed("rebuild", *where)["lines"]


def test_commands_about_files_print_what_their_schemas_say(tmp_path: Path) -> None:
    bench = CopyStand(BenchConfig(sensor=SensorConfig(1200, 800)))
    for name, frame in (("gate", None), ("film", 1)):
        bench.hand.remove_film() if frame is None else bench.hand.go_to(frame)
        raw = bench.expose(CameraExposure(1 / 25, 8.0, 100.0)).raw
        (tmp_path / f"{name}.dng").write_bytes(raw)
    film, gate = tmp_path / "film.dng", tmp_path / "gate.dng"
    printed("measure", film, tmp_path / "none.dng", "--film", "bw-negative", "--open-gate", gate)
    printed("light", gate, tmp_path / "none.dng")
    printed("tablet", tmp_path / "none.dng", "--open-gate", gate)
    printed("plan", "--pixels", "45", "--focal", "100", "--rolls", "3")
    assert "delivery" in printed("settings")["settings"]
    assert printed("doctor", "--archive", tmp_path / "archive")
