"""Rolls as a package that an archive elsewhere can check: BagIt 1.0, RFC 8493.

The package is a copy. The `bagit` library of the Library of Congress writes and validates it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from tether import __version__
from tether.archive.archive import Archive
from tether.archive.durable import SourceChanged, copy_verified, replace_verified
from tether.archive.records import Roll
from tether.disk import new_folder
from tether.errors import TetherError
from tether.paths import whole_path
from tether.settings import DeliverySettings
from tether.text import printable

_DECLARED = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


class PackageError(TetherError):
    """The package was not made; nothing is left of it."""


def package(
    archive: Archive,
    rolls: Sequence[Roll],
    destination: Path,
    report: Callable[[str], None] = lambda _: None,
    *,
    house: DeliverySettings | None = None,
) -> Path:
    """Make a BagIt package of rolls, and validate it.

    Parameters
    ----------
    archive, rolls
        What to package: every recorded file (test shots too), verified while it is copied,
        what is known of it, sidecars and positives. Of several rolls each has its folder.
    destination
        The package's folder, which must not exist.
    house
        Who hands it over.
    report
        Called with each file's name before it is copied.

    Raises
    ------
    PackageError
        When the folder exists or cannot be written, a file has changed since it was recorded,
        or the package does not validate.
    """
    final = whole_path(destination)
    where = printable(str(final))
    root = archive.root.resolve()
    if final.exists():
        raise PackageError(
            f"{where} exists already.", kept="It was not touched.", todo="Name a new folder."
        )
    if root == final.resolve() or root in final.resolve().parents:
        raise PackageError(
            f"{where} is inside the archive.",
            kept="Nothing was changed.",
            todo="Name a folder outside the archive.",
        )
    try:
        with new_folder(final, ".package-") as part:
            recorded: dict[str, str] = {}
            for roll in rolls:
                inside = f"{roll.folder}/" if len(rolls) > 1 else ""
                _fill(archive, roll, part / inside, report)
                for name, _, digest in archive.store.frames.recorded(roll.id):
                    recorded[f"data/{inside}{name}"] = digest
            _bag(rolls, part, recorded, house or DeliverySettings())
    except SourceChanged as error:
        raise PackageError(
            f"The roll cannot be packaged: {error.what}",
            kept="Nothing was changed, and no package was made.",
            todo="Find the cause with: tether verify ROLL",
        ) from error
    except OSError as error:
        raise PackageError(
            f"The package {where} could not be written: {error.strerror}.",
            kept="The archive was not changed, and no package was made.",
            todo="Check the disk and the room on it.",
        ) from error
    return final


def _fill(archive: Archive, roll: Roll, part: Path, report: Callable[[str], None]) -> None:
    for name, size, digest in archive.store.frames.recorded(roll.id):
        report(name)
        (part / name).parent.mkdir(parents=True, exist_ok=True)
        copy_verified(archive.file(roll, name), part / name, size, digest)
    for inside in archive.derived_files(roll):
        report(str(inside))
        (part / inside).parent.mkdir(parents=True, exist_ok=True)
        replace_verified(archive.folder(roll) / inside, part / inside)


def _bag(
    rolls: Sequence[Roll], part: Path, recorded: Mapping[str, str], house: DeliverySettings
) -> None:
    import bagit

    notes = printable(rolls[0].notes.replace("\n", " "), 1000)
    names = [roll.name for roll in rolls]
    info: dict[str, Any] = {
        "External-Identifier": names if len(names) > 1 else names[0],
        "External-Description": (len(names) == 1 and notes) or ", ".join(names),
        "Bag-Software-Agent": f"tether {__version__}, bagit.py {bagit.VERSION}",
    } | {
        # RFC 8493, 2.2.2: reserved names.
        label: printable(text, 300)
        for label, text in (
            ("Source-Organization", house.organisation),
            ("Contact-Name", house.contact),
            ("Contact-Email", house.email),
            ("Contact-Phone", house.phone),
        )
        if text
    }
    bag = bagit.make_bag(str(part), info, checksums=["sha256"])
    # The library declares the draft 0.97, of which this is one too; RFC 8493 is version 1.0.
    (part / "bagit.txt").write_text(_DECLARED, encoding="utf-8")
    bag.save()  # so that the new declaration is in the tag manifest
    bag = bagit.Bag(str(part))
    entries = bag.payload_entries()
    wrong = [
        name for name, digest in recorded.items() if entries.get(name, {}).get("sha256") != digest
    ]
    try:
        bag.validate()
    except bagit.BagValidationError as error:
        wrong.append(str(error))
    if wrong:
        raise PackageError(
            f"The package does not read back as it was written: {printable(wrong[0])}.",
            kept="The archive was not changed, and no package was made.",
            todo="Check the disk that the package was to lie on, and try another one.",
        )
