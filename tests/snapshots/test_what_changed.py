"""The text of a stored picture, and how two of them are shown beside each other."""

from __future__ import annotations

import io

from rich.console import Console

from tests.snapshots.what_changed import comparison, lines_of


def drawn(*lines: str) -> str:
    console = Console(record=True, width=12, height=3, file=io.StringIO())
    for line in lines:
        console.print(line, highlight=False)
    return console.export_svg(title="tether")


def test_the_text_is_what_the_screen_showed() -> None:
    picture = drawn("[bold]a[/]  [red]b &[/]", "", "  ── 7")
    assert lines_of(picture) == ["a  b &", "", "  ── 7"]


def test_old_and_new_stand_beside_each_other_where_there_is_room() -> None:
    old, new = ["same", "key G"], ["same", "key J", "more"]
    assert list(comparison(old, new, 80)) == ["key G > key J", "      > more"]
    assert next(iter(comparison(old, new, 80, whole=True))) == "same  | same"
    assert list(comparison(old, new, 12)) == ["  2 - key G", "  2 + key J", "  3 - ", "  3 + more"]
