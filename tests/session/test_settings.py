"""The settings file: what it takes, what it refuses, and that it reads back what it wrote."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace
from pathlib import Path

import pytest

from tether.cli.bench_plan import Asked, bench_plan
from tether.errors import TetherError
from tether.settings import AlertSettings, BenchSettings, KeySettings, Settings
from tether.settings_file import keep, load, parse, render
from tether.text import is_control


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
        ("planning", "marked_aperture", 11, "now [bench] aperture"),
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


OF_MINE = """\
# mine: do not touch

[exposure]
base_target_ev = -0.7   # a bit darker

[screen]   # colours
theme = 'nord'  # for the evening

[keys]
keep = "j"
"""


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_one_value_is_kept_and_all_else_stays_to_the_byte(tmp_path: Path, ends: str) -> None:
    file, link = tmp_path / "in a folder of mine.toml", tmp_path / "settings.toml"
    before = OF_MINE.replace("\n", ends).encode()
    file.write_bytes(before)
    file.chmod(0o640)
    link.symlink_to(file)
    keep(link, "screen", "theme", "greys")
    assert file.read_bytes() == before.replace(b"'nord'", b'"greys"')
    assert link.is_symlink()
    assert file.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize("there", [None, "", "# only this\n", "[bench]\naperture = 11\n"])
def test_a_section_that_is_not_there_is_made(tmp_path: Path, there: str | None) -> None:
    file = tmp_path / "none yet" / "settings.toml" if there is None else tmp_path / "s.toml"
    if there is not None:
        file.write_text(there)
    keep(file, "screen", "theme", "greys")
    written = file.read_text()
    assert written.startswith(there or "")
    assert parse(tomllib.loads(written), "test").screen.theme == "greys"


@pytest.mark.parametrize(
    ("there", "mode", "said"),
    [
        ("[screen\n", 0o644, "settings.toml was not changed: "),
        ("screen = 1\n", 0o644, "'screen' is no section in it"),
        ("[screen]\n", 0o444, "it is write-protected"),
        ("\xff", 0o644, "settings.toml was not changed: "),
    ],
)
def test_a_file_that_cannot_be_changed_is_named_and_stays(
    tmp_path: Path, there: str, mode: int, said: str
) -> None:
    file = tmp_path / "settings.toml"
    file.write_bytes(there.encode("latin-1"))
    file.chmod(mode)
    with pytest.raises(TetherError) as caught:
        keep(file, "screen", "theme", "greys")
    assert said in str(caught.value)
    assert file.read_bytes() == there.encode("latin-1")


def test_a_folder_that_cannot_be_made_is_a_sentence_too(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(TetherError, match="was not changed"):
        keep(tmp_path / "file" / "settings.toml", "screen", "theme", "greys")


@pytest.mark.parametrize(
    "text",
    [
        f"[camera]\ncapture_seconds = {'9' * 400}\n",
        f"[camera]\ncapture_seconds = {'9' * 5000}\n",
        f"x = {'[' * 3000}\n",
        '["\\u001b[31mx"]\na = 1\n',
        '[camera]\n"\\u001b]0;x\\u0007" = 1\n',
        "# " + "x" * (1 << 20),
    ],
    ids=["400 digits", "5000 digits", "3000 brackets", "a section", "a key", "a megabyte"],
)
def test_a_hostile_file_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(text)
    with pytest.raises(TetherError) as caught:
        load(path)
    assert not any(is_control(c) for c in str(caught.value).replace("\n", " "))
