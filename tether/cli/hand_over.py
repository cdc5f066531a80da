"""The command that makes a folder for a client: shows the names first, and asks."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from tether.archive.archive import Archive
from tether.delivery.hand_over import hand_over, pictures_for
from tether.delivery.page.page import ClientPicture
from tether.errors import TetherError
from tether.settings import DeliverySettings
from tether.text import plural, printable

_SHOWN = 12


def run_hand_over(
    root: Path,
    roll_name: str,
    destination: Path,
    delivered: Path | None,
    house: DeliverySettings,
    *,
    size: int | None,
    names: str | None,
    ask: bool,
) -> None:
    """Show the names, ask, and write the folder.

    Raises
    ------
    TetherError
        As `pictures_for` and `hand_over`, or when the person says no.
    """
    with closing(Archive(root, create=False)) as archive:
        roll = archive.store.rolls.named(roll_name)
        pictures = pictures_for(archive, roll, delivered, names or house.names)
        frames = archive.store.frames.of(roll)
    _show(pictures)
    if ask and not click.confirm("Write them?", default=True):
        raise TetherError("Nothing was written, as you said.", todo="Other names: --names PATTERN")
    pixels = round(house.size) if size is None else size
    made = hand_over(roll, frames, pictures, destination, house, pixels)
    count = plural(len(pictures), "picture")
    print(f"{count}, a page and contact sheets: {printable(str(made), 400)}")
    if not (house.organisation or house.contact or house.email or house.phone):
        print("The page names nobody to ask: write organisation and contact under [delivery].")


def _show(pictures: list[ClientPicture]) -> None:
    print(f"{plural(len(pictures), 'picture')}:")
    for picture in pictures[:_SHOWN]:
        print(f"  frame {picture.subject.frame.number:<4} {printable(picture.name, 150)}")
    if (more := len(pictures) - _SHOWN) > 0:
        print(f"  and {more} more, named alike")
