"""The commands that list rolls: with their progress, by words, and a day's account."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tether.cli.options import (
    Int,
    archive_option,
    default_archive,
    json_option,
    read_settings,
    settings_option,
)
from tether.text import plural, printable

if TYPE_CHECKING:
    from tether.archive.archive import Archive
    from tether.archive.records import Roll
    from tether.archive.waiting import WaitingRoll

_SHOWN = 5
"""Frames of a roll that are shown."""

FIND_VERSION = 1
"""Of the JSON of ``tether find`` and ``tether day``."""


@click.command()
@click.argument("words", nargs=-1, help="What to look for. None, with --csv: every roll.")
@archive_option
@click.option("--most", type=Int(1), default=50, help="Show at most so many rolls.")
@click.option("--csv", "as_csv", is_flag=True, help="Print all found as a list for import.")
@json_option
def find(
    words: tuple[str, ...], archive: Path | None, most: int, as_csv: bool, as_json: bool
) -> None:
    """Find rolls by words of all that is known.

    Looks in names, notes, facts and captions, also of rolls that wait. All words must be in one
    roll; each is found by its beginning, Chinese and Japanese also within a word.
    """
    from tether.archive.archive import Archive

    if as_csv and as_json:
        raise click.UsageError("Give --csv or --json, not both.")
    if not words and not as_csv:
        raise click.UsageError("Give the words to look for.")
    with closing(Archive(archive or default_archive(), create=False)) as opened:
        if as_csv:
            _print_list(opened, words)
        else:
            _print_found(opened, words, most, as_json=as_json)


def _print_list(archive: Archive, words: tuple[str, ...]) -> None:
    from tether.archive.roll_list import written_list

    store = archive.store
    rolls = _found(archive, words) if words else _every(archive)
    # As bytes: line ends are the standard's, and the letters UTF-8 whatever the terminal has.
    for line in written_list(rolls, store.frames.of):
        click.echo(line.encode("utf-8", "backslashreplace"), nl=False)


def _every(archive: Archive) -> Iterator[Roll | WaitingRoll]:
    yield from archive.store.rolls.all()
    yield from archive.store.waiting.all()


def _found(
    archive: Archive, words: tuple[str, ...], most: int = -1
) -> Iterator[Roll | WaitingRoll]:
    from tether.archive.search_index import SearchIndex, asked_words

    def report(left: int) -> None:
        if left > _MANY:
            click.echo(f"Indexing {left} rolls ...", err=True)

    asked = asked_words(words)
    with closing(SearchIndex(archive.store, archive.root, report)) as index:
        for hit in index.find(asked, most):
            if hit.roll is not None:
                yield archive.store.rolls.by_id(hit.roll)
            elif hit.waiting is not None and (waiting := archive.store.waiting.by_id(hit.waiting)):
                yield waiting


_MANY = 5000
"""Rolls whose indexing takes long enough to be reported."""


def _print_found(archive: Archive, words: tuple[str, ...], most: int, *, as_json: bool) -> None:
    from tether.archive.roll_values import frame_values
    from tether.archive.search_index import asked_words, has_words
    from tether.archive.waiting import WaitingRoll

    asked = asked_words(words)
    found = list(itertools.islice(_found(archive, words, most + 1), most + 1))
    hits: list[dict[str, Any]] = []
    for roll in found[:most]:
        waits = isinstance(roll, WaitingRoll)
        new = roll.new if isinstance(roll, WaitingRoll) else roll.as_new()
        frames = () if isinstance(roll, WaitingRoll) else archive.store.frames.of(roll)
        hit = (roll if isinstance(roll, WaitingRoll) else WaitingRoll(new)).stored()
        hit |= {
            "waiting": waits,
            "folder": None if isinstance(roll, WaitingRoll) else roll.folder,
            "frames": [
                {"frame": f.number, "note": f.note, **f.description.stored}
                for f in frames
                if has_words(" \n ".join(frame_values(f).values()), asked)
            ],
        }
        hits.append(hit)
    more = len(found) > most
    if as_json:
        shown = {"version": FIND_VERSION, "rolls": hits, "more": more}
        click.echo(json.dumps(shown, indent=1, ensure_ascii=False))
        return
    for hit in hits:
        click.echo(_hit_line(hit))
        for frame in hit["frames"][:_SHOWN]:
            text = "; ".join(
                str(frame.get(k)) for k in ("caption", "note", "place") if frame.get(k)
            )
            click.echo(f"    frame {frame['frame']}: {printable(text, 100)}")
        if (left := len(hit["frames"]) - _SHOWN) > 0:
            click.echo(f"    and {plural(left, 'frame')} more")
    if more:
        click.echo(f"More than {most} rolls: add a word, or --most.")
    elif not hits:
        click.echo("Nothing found.")


def _hit_line(hit: Mapping[str, Any]) -> str:
    said = hit["description"]
    parts = [str(said[k]) for k in ("date", "place", "subject", "photographer") if said.get(k)]
    if said.get("box"):
        parts.append(f"box {said['box']}")
    if hit["waiting"]:
        parts.append("waiting")
    return printable("   ".join([hit["name"], *parts]), 200)


@click.command()
@click.option(
    "--date", type=click.DateTime(["%Y-%m-%d"]), help="Another day, as 2027-05-31. [default: today]"
)
@archive_option
@json_option
@settings_option
def day(date: datetime | None, archive: Path | None, as_json: bool, settings: Path | None) -> None:
    """Show a day's account and what waits."""
    from tether.archive.archive import Archive
    from tether.reports.day import account

    pause = timedelta(minutes=read_settings(settings).planning.pause_minutes)
    with closing(Archive(archive or default_archive(), create=False)) as opened:
        today = opened.clock().astimezone().date()
        found = account(opened, date.date() if date else today, pause)
    if as_json:
        shown = {"version": FIND_VERSION, **asdict(found), "day": found.day.isoformat()}
        click.echo(json.dumps(shown, indent=1, ensure_ascii=False))
    else:
        click.echo("\n".join(found.lines()))


@click.command()
@archive_option
@json_option
@click.option(
    "--newest", type=Int(1), help="Show only the newest N. [default: 200; all with --json]"
)
@click.option("--unfinished", is_flag=True, help="Only rolls with an open frame.")
@click.option("--to-check", is_flag=True, help="Only rolls with a kept frame to check.")
@click.option("--not-delivered", is_flag=True, help="Only rolls that were never delivered.")
@click.option("--no-copy", is_flag=True, help="Only rolls that the copy folder lacks files of.")
@click.option("--box", help="Only rolls of this box.")
def rolls(
    archive: Path | None,
    as_json: bool,
    newest: int | None,
    unfinished: bool,
    to_check: bool,
    not_delivered: bool,
    no_copy: bool,
    box: str | None,
) -> None:
    """List rolls and their progress."""
    from tether.archive.archive import Archive
    from tether.archive.rolls import RollFilter
    from tether.reports.rolls import NEWEST, listing, listing_json, listing_text

    wanted = RollFilter(unfinished, to_check, not_delivered, no_copy, box)
    opened = Archive(archive or default_archive(), create=False)
    try:
        if as_json:
            for part in listing_json(listing(opened, newest, wanted)):
                click.echo(part, nl=False)
            click.echo()
        else:
            click.echo(listing_text(opened, newest or NEWEST, wanted))
    finally:
        opened.close()
