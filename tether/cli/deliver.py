"""The command that delivers rolls: shows how far it is, and says what came of it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from tether.archive.archive import Archive
from tether.archive.second_copy import note_delivery
from tether.cli.archive import progress
from tether.cli.json_text import error_json, json_text
from tether.delivery.folder import DeliveryOptions, DeliveryResult
from tether.delivery.many import RollOutcome, deliver_rolls, new_rolls, rolls_like
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

WATCH_SECONDS = 20.0
"""How often a delivery that stays looks for a roll that has become complete."""


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


def deliver_many(
    root: Path,
    settings: Settings,
    options: DeliveryOptions,
    *,
    names: Sequence[str] = (),
    patterns: Sequence[str] = (),
    all_new: bool = False,
    as_json: bool = False,
) -> int:
    """Deliver rolls by name, by pattern, or all new ones; return 1 for any trouble.

    Raises
    ------
    TetherError
        When a pattern fits no roll, or it was interrupted.
    """
    with closing(Archive(root, create=False)) as archive:
        chosen = [*names, *(rolls_like(archive, patterns) if patterns else [])]
        chosen += new_rolls(archive, options.to) if all_new else []
    chosen = list(dict.fromkeys(chosen))
    outcomes = []
    for outcome in _each(root, chosen, settings, options, as_json=as_json):
        outcomes.append(outcome)
        if not as_json:
            _say(outcome)
        if outcome.result is not None:
            words = " ".join(_lines(outcome.result))
            note_delivery(root, outcome.roll, words, _unsaid if as_json else print)
    wrong = [o for o in outcomes if o.result is None or o.result.trouble]
    if as_json:
        print(json_text(rolls=[outcome_json(outcome) for outcome in outcomes]))
    else:
        print(f"{plural(len(chosen), 'roll')} delivered, {len(wrong)} with problems.")
    return 1 if wrong else 0


def watch(
    root: Path, settings: Settings, options: DeliveryOptions, wait: Callable[[float], object]
) -> int:
    """Deliver each roll when it has become complete, until Ctrl-C; return the exit code.

    ``wait`` is given the seconds until the next look. A roll that could not be delivered is left
    alone until this is started again. The work steps back behind whatever else runs here, so that
    shooting stays quick.
    """
    with contextlib.suppress(OSError):
        os.nice(10)
    print("Each roll is delivered when it is complete. Ctrl-C ends this.")
    failed: set[str] = set()
    try:
        while True:
            with closing(Archive(root, create=False)) as archive:
                names = [name for name in new_rolls(archive, options.to) if name not in failed]
            for outcome in _each(root, names, settings, options, as_json=False):
                _say(outcome)
                if outcome.result is None or outcome.result.trouble:
                    failed.add(outcome.roll)
                if outcome.result is not None:
                    note_delivery(root, outcome.roll, " ".join(_lines(outcome.result)), print)
            wait(WATCH_SECONDS)
    except KeyboardInterrupt:
        return 1 if failed else 0


def _each(
    root: Path,
    names: Sequence[str],
    settings: Settings,
    options: DeliveryOptions,
    *,
    as_json: bool,
) -> Iterator[RollOutcome]:
    with progress() if not as_json else contextlib.nullcontext(_show_nothing) as show:

        def report(step: DeliveryStep) -> None:
            show(_WORDS[step.phase], step.done, step.total, step.text)

        try:
            yield from deliver_rolls(root, names, settings, options, report)
        except KeyboardInterrupt:
            raise TetherError(
                "Interrupted.",
                kept="Every positive that was finished is kept.",
                todo="Run the same command again to resume.",
            ) from None


def _show_nothing(*_: object) -> None: ...


def _unsaid(_: str) -> None: ...


def _say(outcome: RollOutcome) -> None:
    name = printable(outcome.roll, 60)
    if outcome.error is not None:
        error = outcome.error
        print(f"{name}: {' '.join(filter(None, (error.what, error.kept, error.todo)))}")
    elif outcome.result is not None:
        for line in _lines(outcome.result):
            print(f"{name}: {line}")


def outcome_json(outcome: RollOutcome) -> dict[str, Any]:
    """Return what came of a roll as JSON; see docs/schemas/deliver.json."""
    result = outcome.result
    if result is None:
        assert outcome.error is not None, "one or the other"
        return {"roll": outcome.roll, "error": error_json(outcome.error)}
    return {
        "roll": outcome.roll,
        "folder": str(result.folder),
        "positives_made": result.printed,
        "positives_unchanged": result.unchanged,
        "raw_positives_made": result.raw_made,
        "raw_positives_unchanged": result.raw_unchanged,
        "sidecars": result.sidecars,
        "notes": [*result.notes, *([result.left_out] if result.left_out else [])],
        "problems": result.trouble,
    }


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
