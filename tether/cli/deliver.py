"""The command that delivers a roll: shows how far it is, and says what came of it."""

from __future__ import annotations

from collections.abc import Iterator

from tether.archive.archive import Archive
from tether.archive.second_copy import note_delivery
from tether.cli.archive import progress
from tether.delivery.folder import DeliveryOptions, DeliveryResult
from tether.delivery.run import DeliveryStep, RollDelivery
from tether.errors import TetherError
from tether.settings import Settings
from tether.text import plural, printable

_WORDS = {
    "check": "checking raw files",
    "print": "making positives",
    "raw": "making raw positives",
    "reports": "writing reports",
}


def deliver_roll(
    archive: Archive, roll_name: str, settings: Settings, options: DeliveryOptions
) -> int:
    """Deliver a roll, print what came of it, and return the exit code: 1 for any trouble.

    Raises
    ------
    TetherError
        When there is nothing to deliver or it was interrupted.
    """
    roll = archive.store.rolls.named(roll_name)
    with progress(lines=True) as show:

        def report(step: DeliveryStep) -> None:
            show(_WORDS[step.phase], step.done, step.total, step.text)

        delivery = RollDelivery(archive, roll, settings, options, report)
        try:
            result = delivery.run()
        except KeyboardInterrupt:
            raise TetherError(
                "Interrupted.",
                kept=f"{plural(delivery.result.printed, 'positive')} finished by this run: "
                f"{printable(str(delivery.folder.root), 400)}.",
                todo="Run the same command again to resume.",
            ) from None
    for line in _lines(result):
        print(line)
    note_delivery(archive.root, roll.name, " ".join(_lines(result)), print)
    return 1 if result.trouble else 0


def _lines(result: DeliveryResult) -> Iterator[str]:
    done = f"{plural(result.printed, 'positive')} made"
    if result.unchanged:
        done += f", {result.unchanged} unchanged"
    yield f"{done}; {plural(result.sidecars, 'sidecar')} beside the raw files."
    if result.raw_made or result.raw_unchanged:
        made = f"{plural(result.raw_made, 'raw positive')} made"
        if result.raw_unchanged:
            made += f", {result.raw_unchanged} unchanged"
        yield f"{made}."
    yield from result.notes
    if result.left_out:
        yield result.left_out
    yield from result.trouble
    yield f"Delivery folder: {printable(str(result.folder), 400)}"
    yield f"Page to read in a browser: {printable(str(result.folder / 'index.html'), 400)}"
