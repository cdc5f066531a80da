"""Which roll a rehearsal goes on with, and how rolls may be cut."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from tether.film import FilmProcess
from tether.rehearsal import Rehearsal, find_roll
from tether.session.archive import Archive
from tether.session.roll import NewRoll


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


@pytest.mark.parametrize(("cut", "strips"), [(1, 10), (3, 4), (4, 3), (0, 1)])
def test_mounted_slides_and_strips_of_wider_film_can_be_told(
    tmp_path: Path, cut: int, strips: int
) -> None:
    new = NewRoll("Chapel", FilmProcess.TRANSPARENCY, "120-6x6", 10, cut).checked()
    with contextlib.closing(Archive(tmp_path)) as archive:
        roll = archive.store.add_roll(new)
    assert roll.strips == strips
    assert [n for s in range(1, strips + 1) for n in roll.frames_of(s)] == list(range(1, 11))
