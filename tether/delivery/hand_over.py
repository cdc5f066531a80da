"""A folder for a client: pictures under their own names, a page and sheets, and how to order.

Nothing of the workshop is in it: no log, no takes that were not kept, no findings, no paths.
"""

from __future__ import annotations

import string
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from PIL import Image

from tether.archive.archive import Archive
from tether.archive.records import Frame, Roll
from tether.delivery.contact_sheet import Cell, Sheet, contact_sheet
from tether.delivery.folder import DeliveredFolder, printed_take, stored_sample, strips_of
from tether.delivery.labels import client_labels
from tether.delivery.page.page import ClientPicture, client_page
from tether.delivery.xmp import Subject
from tether.disk import new_folder, replace_whole
from tether.errors import TetherError
from tether.paths import reason, whole_path
from tether.pdf import PAPERS
from tether.positive.files import save_jpeg
from tether.settings import DeliverySettings
from tether.text import printable

PICTURES = "pictures"
_FIELDS = ("roll", "frame", "caption", "date")
_LONGEST_NAME = 120
_QUALITY = 90


def pictures_for(
    archive: Archive, roll: Roll, delivered: Path | None, pattern: str
) -> list[ClientPicture]:
    """Return the pictures of a delivered roll with the names that they would get.

    ``pattern`` has ``{roll}``, ``{frame}``, ``{caption}`` and ``{date}``, as `str.format` takes
    them: ``{frame:03}`` is a number of three digits.

    Raises
    ------
    TetherError
        When nothing was delivered, a kept frame has no positive yet, or names make no sense.
    """
    folder = DeliveredFolder(delivered or archive.folder(roll) / "delivered", roll.name)
    record = folder.read()
    found: list[ClientPicture] = []
    lacking = []
    for frame in archive.store.frames.of(roll):
        take = printed_take(frame)
        if take is None:
            continue
        positive, small = folder.jpeg(take.file_name), folder.thumbnail(take.file_name)
        if not positive.is_file() or not small.is_file():
            lacking.append(str(frame.number))
            continue
        shot = None
        if take.file_name in record.samples:
            shot = stored_sample(record.samples[take.file_name])[2]
        subject = Subject(roll, frame, take, shot)
        found.append(ClientPicture(subject, positive, small, _name(pattern, roll, frame, subject)))
    if lacking or not found:
        which = f"frame{'s' * (len(lacking) > 1)} {', '.join(lacking)}" if lacking else "any frame"
        raise TetherError(
            f"There is no positive of {which} of '{printable(roll.name)}' yet.",
            kept="Nothing was written.",
            todo="Make them first: tether deliver ROLL",
        )
    names = [picture.name.casefold() for picture in found]
    twice = next((p.name for p in found if names.count(p.name.casefold()) > 1), "")
    if twice:
        raise TetherError(
            f"Two pictures would have the name '{printable(twice)}'.",
            kept="Nothing was written.",
            todo="Put {frame} into the names: --names '{roll} {frame:03}'",
        )
    return found


def _name(pattern: str, roll: Roll, frame: Frame, subject: Subject) -> str:
    values = {
        "roll": roll.name,
        "frame": frame.number,
        "caption": frame.description.caption,
        "date": subject.date,
    }
    try:
        asked = {field for _, field, _, _ in string.Formatter().parse(pattern) if field is not None}
        if not asked <= set(_FIELDS):
            raise ValueError(", ".join(sorted(asked - set(_FIELDS))))
        made = pattern.format(**values)
    except (ValueError, IndexError, KeyError) as error:
        raise TetherError(
            f"The names '{printable(pattern)}' are not understood ({printable(str(error))}).",
            kept="Nothing was written.",
            todo="Use {roll}, {frame}, {caption} and {date}, for example '{roll} {frame:03}'.",
        ) from error
    # A slash or a colon would be a folder or a drive somewhere.
    plain = "".join("-" if c in '/\\:*?"<>|' else c for c in printable(made, 1000))
    cut = plain.encode()[:_LONGEST_NAME].decode(errors="ignore").strip(" .")
    return f"{cut or f'frame {frame.number}'}.jpg"


def hand_over(
    roll: Roll,
    frames: Sequence[Frame],
    pictures: Sequence[ClientPicture],
    destination: Path,
    house: DeliverySettings,
    size: int,
) -> Path:
    """Write the folder, whole or not at all, and return where it is.

    Parameters
    ----------
    roll, frames, pictures
        What is handed over; `pictures_for` names them.
    destination
        A folder that does not exist yet.
    house
        Who hands it over.
    size
        Longest side of a picture in pixels; 0 keeps each as it is.

    Raises
    ------
    TetherError
        When the folder exists or cannot be written.
    """
    final = whole_path(destination)
    if final.exists():
        raise TetherError(
            f"{printable(str(final))} exists already.",
            kept="It was not touched.",
            todo="Name a new folder.",
        )
    try:
        with new_folder(final, ".new-") as part:
            (part / PICTURES).mkdir()
            for picture in pictures:
                _write_picture(picture, part / PICTURES / picture.name, size)
            for paper in PAPERS:
                data = contact_sheet(client_sheet(roll, frames, pictures, house), paper).as_bytes()
                path = part / f"contact-sheet-{paper}.pdf"
                replace_whole(path, partial(Path.write_bytes, data=data))
            text = client_page(roll, pictures, house).encode()
            replace_whole(part / "index.html", partial(Path.write_bytes, data=text))
    except OSError as error:
        raise TetherError(
            f"The folder {printable(str(final))} could not be written: {reason(error)}.",
            kept="Positives and raw files are unchanged.",
            todo="Check the disk and the room on it.",
        ) from error
    return final


def _write_picture(picture: ClientPicture, path: Path, size: int) -> None:
    with Image.open(picture.positive) as opened:
        dpi = opened.info.get("dpi")
        whole = max(opened.size)
        labels = client_labels(picture.subject, float(dpi[0]) if dpi else None)
        if not size or size >= whole:
            # The same tables: nothing but what it says of itself changes.
            save_jpeg(opened, path, quality="keep", labels=labels)
            return
        small = opened.copy()
    small.thumbnail((size, size), Image.Resampling.LANCZOS, reducing_gap=None)
    if labels.per_inch:
        labels = replace(labels, per_inch=round(labels.per_inch * max(small.size) / whole, 1))
    save_jpeg(small, path, quality=_QUALITY, labels=labels)


def client_sheet(
    roll: Roll,
    frames: Sequence[Frame],
    pictures: Sequence[ClientPicture],
    house: DeliverySettings,
) -> Sheet:
    """Return the contact sheet: pictures in order with number and caption."""
    small = {p.subject.frame.number: p.small for p in pictures}
    said = roll.description
    about = " · ".join(filter(None, (said.subject, said.place, said.date)))
    who = " · ".join(filter(None, (said.photographer, said.rights)))
    strips = [
        tuple(
            Cell(f.number, caption=f.description.caption, picture=small[f.number])
            for f in strip
            if f.number in small
        )
        for strip in strips_of(roll, frames)
    ]
    ask = (house.organisation, house.contact, house.email, house.phone)
    return Sheet(
        title=roll.name,
        lines=tuple(filter(None, (about, who, house.order))),
        strips=tuple(strip for strip in strips if strip),
        form=roll.film_format,
        author=said.photographer,
        foot=" · ".join(filter(None, ask)),
    )
