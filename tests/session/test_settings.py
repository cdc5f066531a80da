"""The settings file: what it takes, what it refuses, and that it reads back what it wrote."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace

import pytest

from tether.cli.bench_plan import Asked, bench_plan
from tether.errors import TetherError
from tether.settings import AlertSettings, BenchSettings, KeySettings, Settings
from tether.settings_file import parse, render


def test_what_is_written_reads_back_the_same() -> None:
    own = replace(
        Settings(),
        keys=KeySettings((("forward", "f8"), ("keep", "j, ?"))),
        alerts=AlertSettings(bell=False, sound="/a/b.wav"),
    )
    for settings in (Settings(), own):
        assert parse(tomllib.loads(render(settings)), "test") == settings


def test_every_value_is_explained_above_it() -> None:
    lines = render().splitlines()
    for section in fields(Settings):
        for item in fields(getattr(Settings(), section.name)):
            if section.name == "keys":
                continue  # those of the table are in force: see tests/tui/test_keys.py
            at = next(i for i, x in enumerate(lines) if x.startswith(f"{item.name} = "))
            assert lines[at - 1].startswith("# ")


@pytest.mark.parametrize(
    ("section", "key", "value", "said"),
    [
        ("alerts", "bell", 1, "true or false"),
        ("alerts", "sound", "a\nb", "text in quotes"),
        ("keys", "forward", 8, "text in quotes"),
        ("keys", "forward", "Page Down", "pagedown"),
        ("bench", "aperture", True, "must be a number"),
        ("bench", "aperture", 100, "outside 0.7 to 64"),
        ("bench", "apertures", 8, "has no value"),
        ("planning", "marked_aperture", 11, "[bench] aperture now"),
    ],
)
def test_what_is_wrong_is_said(section: str, key: str, value: object, said: str) -> None:
    with pytest.raises(TetherError) as caught:
        parse({section: {key: value}}, "settings.toml")
    assert said in str(caught.value)
    assert "Nothing was changed" in str(caught.value)


def test_one_aperture_serves_the_camera_check_and_the_plan() -> None:
    found = bench_plan(Asked("135", "36x24"), Settings(bench=BenchSettings(aperture=5.6)))
    assert found["aperture"]["marked"] == 5.6
