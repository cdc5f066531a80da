"""The command that makes proofs, and circles frames on them."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tether.cli.options import (
    FILM,
    PATH,
    Int,
    archive_option,
    default_archive,
    format_option,
    roll_argument,
)
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.text import printable

if TYPE_CHECKING:
    from tether.archive.open_roll import OpenRoll

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@roll_argument("Name of the roll, new or begun.")
@click.argument("pictures", nargs=-1, type=_FILE, metavar="[PICTURE]...", help="Of its sleeves.")
@archive_option
@click.option("--film", type=FILM, help="Kind of film of a new roll. [default: bw-negative]")
@format_option
@click.option("--first", type=Int(), help="Number of the first frame on them. [default: the next]")
@click.option(
    "--turn",
    type=click.Choice(["0", "90", "180", "270"]),
    default="0",
    help="Degrees clockwise until they read.",
)
@click.option("--mirror", is_flag=True, help="The pictures show the film from its back.")
@click.option("--circle", metavar="NUMBERS", help="Frames to shoot, like 3,7-9.")
@click.option("--uncircle", metavar="NUMBERS", help="Frames to take out of these.")
@click.option("--word", default="", show_default=False, help="A word on the frames of --circle.")
@click.option("--sheet", type=PATH, help="Write the proof as a PDF file.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Its paper.")
def proof(
    roll: str,
    pictures: Sequence[Path],
    archive: Path | None,
    film: FilmProcess | None,
    film_format: str,
    first: int | None,
    turn: str,
    mirror: bool,
    circle: str | None,
    uncircle: str | None,
    word: str,
    sheet: Path | None,
    paper: str,
) -> None:
    """Look through film before shooting it, and choose frames.

    Photograph whole sleeves on a light table and give the pictures: raw files, JPEG, TIFF or PNG.
    Their frames are found, numbered and filed with the roll. 'shoot' then goes from circled frame
    to circled frame.
    """
    from tether.archive.archive import Archive
    from tether.archive.open_roll import OpenRoll
    from tether.archive.records import NewRoll, checked_name
    from tether.proof.make import ProofWish, choose_frames, make_proof, numbers_in, ranges
    from tether.proof.record import read_proof

    name = checked_name(roll)
    changed: dict[int, str | None] = {
        **dict.fromkeys(numbers_in(uncircle) if uncircle else ()),
        **dict.fromkeys(numbers_in(circle) if circle else (), word.strip()),
    }
    root = archive or default_archive()
    if not pictures:
        Archive(root, create=False).close()  # there is one: else it is not made
    with closing(Archive(root)) as opened:
        if pictures:
            new = NewRoll(name, film or FilmProcess.BW_NEGATIVE, film_format, 1, 0)
            waiting = opened.store.waiting.named(name)
            if waiting is not None:
                new = replace(waiting.new, process=film or waiting.new.process)
            make_proof(opened, new, ProofWish(pictures, int(turn), mirror, first), click.echo)
        at_work = OpenRoll(opened, opened.store.rolls.named(name))
        try:
            found = choose_frames(at_work, changed) if changed else read_proof(at_work.test_folder)
            if not found.frames:
                raise TetherError(
                    f"The roll '{printable(name)}' has no proof.",
                    todo="Give pictures of its sleeves: tether proof ROLL PICTURE.",
                )
            if sheet is not None:
                _write(sheet, at_work, paper)
                click.echo(f"The proof is in {sheet}.")
        finally:
            at_work.close()
        circled = ranges(found.circled)
        click.echo(
            f"{printable(name)}: {len(found.frames)} frames on its proof, "
            + (f"{len(found.circled)} circled: {circled}." if circled else "none circled.")
        )


def _write(path: Path, at_work: OpenRoll, paper: str) -> None:
    from tether.disk import replace_whole
    from tether.proof.record import read_proof
    from tether.proof.sheet import proof_cells, proof_sheet

    folder = at_work.test_folder
    found = read_proof(folder)
    cells = dict(proof_cells(folder, at_work.roll, found))
    data = proof_sheet(at_work.roll, found, cells, paper)
    replace_whole(path, lambda part: part.write_bytes(data))
