"""The commands that look after the files of an archive."""

from __future__ import annotations

from pathlib import Path

import click

from tether.cli.options import (
    PATH,
    Int,
    archive_option,
    default_archive,
    json_option,
    read_settings,
    roll_argument,
    settings_option,
)


@click.command()
@roll_argument("Only this roll. [default: all]", required=False)
@archive_option
@click.option("--afresh", is_flag=True, help="Start over, don't resume an interrupted check.")
@json_option
def verify(roll: str | None, archive: Path | None, afresh: bool, as_json: bool) -> None:
    """Check that no file has changed.

    Names each file that is missing, changed, unreadable or unknown, in the archive and in its copy
    folder.
    """
    from tether.cli.archive import run_verify

    code = run_verify(archive or default_archive(), roll, afresh=afresh, as_json=as_json)
    raise click.exceptions.Exit(code)


@click.command()
@roll_argument("Name of the roll.")
@click.argument("file", required=False, help="Only this file. [default: all of the roll]")
@archive_option
@json_option
def restore(roll: str, file: str | None, archive: Path | None, as_json: bool) -> None:
    """Bring files back from the copy folder.

    Missing and damaged files come back from the good copy, in the archive and in the copy folder.
    A good file is never overwritten, and a damaged one is kept aside.
    """
    from tether.cli.archive import run_restore

    raise click.exceptions.Exit(
        run_restore(archive or default_archive(), roll, file, as_json=as_json)
    )


@click.command()
@roll_argument("Name of the roll, or names of several.", nargs=-1, required=True)
@click.argument("destination", type=PATH, help="A folder that does not exist yet.")
@archive_option
@json_option
@settings_option
def package(
    roll: tuple[str, ...],
    destination: Path,
    archive: Path | None,
    as_json: bool,
    settings: Path | None,
) -> None:
    """Pack rolls with checksums (BagIt).

    The package is a folder after RFC 8493 that others can check without tether. Of several rolls
    each has a folder in it. The settings say who hands it over.
    """
    from tether.cli.archive import run_package

    house = read_settings(settings).delivery
    run_package(archive or default_archive(), roll, destination, house, as_json=as_json)


@click.command("hand-over")
@roll_argument("Name of the roll.")
@click.argument("destination", type=PATH, help="A folder that does not exist yet.")
@archive_option
@click.option("--from", "delivered", type=PATH, help="Delivery folder. [default: the roll's own]")
@click.option("--size", type=Int(0), help="Longest side in pixels; 0: as it is. [default: 1600]")
@click.option(
    "--names", metavar="PATTERN", help="Names of pictures. [default: '{roll} {frame:03}']"
)
@click.option("--yes", is_flag=True, help="Don't ask before writing.")
@settings_option
def hand_over(
    roll: str,
    destination: Path,
    archive: Path | None,
    delivered: Path | None,
    size: int | None,
    names: str | None,
    yes: bool,
    settings: Path | None,
) -> None:
    """Make a folder for a client.

    Pictures for mail and screen, a page and contact sheets: captions, numbers, rights, and how to
    order. The names are shown first. Nothing of the workshop is in it.
    """
    from tether.cli.hand_over import run_hand_over

    run_hand_over(
        archive or default_archive(), roll, destination, delivered,
        read_settings(settings).delivery, size=size, names=names, ask=not yes,
    )  # fmt: skip


@click.command()
@archive_option
@json_option
def rebuild(archive: Path | None, as_json: bool) -> None:
    """Rebuild the database from the folders."""
    from tether.cli.archive import run_rebuild

    run_rebuild(archive or default_archive(), as_json=as_json)
