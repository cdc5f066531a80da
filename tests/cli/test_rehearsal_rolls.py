"""Which roll a rehearsal goes on with, and how rolls may be cut."""

from __future__ import annotations

import contextlib
import shlex
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from tether.archive.archive import REHEARSAL_CARD, Archive
from tether.archive.records import NewRoll
from tether.cli.main import app
from tether.film import FilmProcess
from tether.rehearsal import Rehearsal, find_roll
from tether.reports.rolls import go_on, listing


class Tty:
    """A stream that is a terminal."""

    def isatty(self) -> bool:
        return True


def test_the_unfinished_roll_is_gone_on_with_whatever_film_it_is(tmp_path: Path) -> None:
    with contextlib.closing(Archive(tmp_path)) as archive:
        first = find_roll(archive, Rehearsal(film=FilmProcess.TRANSPARENCY, film_format="120-6x6"))
        assert (first.process, first.format_key) == (FilmProcess.TRANSPARENCY, "120-6x6")
        assert find_roll(archive, Rehearsal()) == first, "the command that is printed names no film"
        assert find_roll(archive, Rehearsal(film_format="120-6x6")) == first
        second = find_roll(archive, Rehearsal(film_format="135"))
        assert (second.name, second.process) == ("Rehearsal 2", FilmProcess.BW_NEGATIVE)
        assert find_roll(archive, Rehearsal(film=FilmProcess.TRANSPARENCY)) == first
        assert find_roll(archive, Rehearsal(fresh=True)).name == "Rehearsal 3"


def test_the_line_that_goes_on_opens_the_roll_that_was_left(tmp_path: Path) -> None:
    words: list[list[str]] = []
    with contextlib.closing(Archive(tmp_path)) as archive:
        (archive.root / REHEARSAL_CARD).mkdir()
        left = find_roll(archive, Rehearsal())
        find_roll(archive, Rehearsal(fresh=True))
        words += [shlex.split(line["go_on"]) for line in listing(archive)]
        words.append(shlex.split(go_on(archive, left.name)))
    rehearse = app.commands["rehearse"]
    opened = [rehearse.make_context("rehearse", w[w.index("rehearse") + 1 :]).params for w in words]
    assert [p["roll"] for p in opened] == ["Rehearsal 1", "Rehearsal 2", "Rehearsal 1"]
    with contextlib.closing(Archive(tmp_path)) as archive:
        assert find_roll(archive, Rehearsal(name=opened[0]["roll"])) == left


def test_a_roll_that_cannot_be_rehearsed_is_said_and_nothing_is_made(tmp_path: Path) -> None:
    def said(root: Path, *words: str) -> str:
        line = ["rehearse", *words, "--unattended", "--archive", str(root)]
        return str(CliRunner().invoke(app, line).exception)

    assert "There is no archive" in said(tmp_path / "nowhere", "Harbour")
    assert not (tmp_path / "nowhere").exists()
    with contextlib.closing(Archive(tmp_path)) as archive:
        archive.store.rolls.add(NewRoll("Harbour 1987", FilmProcess.BW_NEGATIVE))
    unknown = said(tmp_path, "Harbor")
    assert "no roll 'Harbor'" in unknown
    assert "Its newest rolls: Harbour 1987." in unknown
    assert f"rolls --archive {tmp_path}" in unknown
    real = said(tmp_path, "Harbour 1987")
    assert "is not a rehearsal" in real
    assert real.endswith(f" shoot --archive {tmp_path} 'Harbour 1987'")
    for words in ((), ("--fresh",)):
        assert "holds rolls of real film" in said(tmp_path, *words)
    assert not (tmp_path / REHEARSAL_CARD).exists()
    with contextlib.closing(Archive(tmp_path)) as archive:
        assert [roll.name for roll in archive.store.rolls.lines(None)] == ["Harbour 1987"]
    assert "--fresh" in said(tmp_path, "Harbour 1987", "--fresh")


def test_no_roll_of_real_film_comes_into_an_archive_of_rehearsals(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tether.launch.sys", SimpleNamespace(stdin=Tty(), stdout=Tty()))
    with contextlib.closing(Archive(tmp_path)) as archive:
        find_roll(archive, Rehearsal())
    words = ["shoot", "Harbour", "--film", "transparency", "--archive", str(tmp_path)]
    for line in (words, ["web", *words]):
        said = str(CliRunner().invoke(app, line).exception)
        assert "is one of rehearsals" in said
        assert "Nothing was changed" in said
    with contextlib.closing(Archive(tmp_path)) as archive:
        assert [roll.name for roll in archive.store.rolls.lines(None)] == ["Rehearsal 1"]


@pytest.mark.parametrize(("cut", "strips"), [(1, 10), (3, 4), (4, 3), (0, 1)])
def test_mounted_slides_and_strips_of_wider_film_can_be_told(
    tmp_path: Path, cut: int, strips: int
) -> None:
    new = NewRoll("Chapel", FilmProcess.TRANSPARENCY, "120-6x6", 10, cut).checked()
    with contextlib.closing(Archive(tmp_path)) as archive:
        roll = archive.store.rolls.add(new)
    assert roll.strips == strips
    assert [n for s in range(1, strips + 1) for n in roll.frames_of(s)] == list(range(1, 11))
