"""After an interruption: finish what was begun for a roll.

Nothing is thrown away. What is found is filed for the frame it was begun for, and said; what
cannot be decided here (a picture that the camera made by itself) is offered.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from tether.archive.durable import FilingError
from tether.archive.rebuild import restore_bench_shots
from tether.archive.records import Intent
from tether.archive.store import Store
from tether.camera.errors import CameraError, CameraLost, CardUnclear, FileUnavailable
from tether.camera.protocol import Camera, CardFile, Role
from tether.camera.values import shutter_seconds
from tether.capture.leftovers import in_folder, words
from tether.capture.transfer import CardTransfer, Progress, card_files, exposures, name_stem
from tether.text import plural, printable

#: After so many starts at which a picture could not be fetched, it is left on the card.
_STARTS = 3


def recover(transfer: CardTransfer, camera: Camera | None, camera_key: str) -> Iterator[str]:
    """Bring everything begun for a roll to its end; yield what there is to say.

    Parameters
    ----------
    transfer
        Of the roll, which this process holds.
    camera
        The camera, None when there is none: pictures on its card then wait until one is there.
    camera_key
        What tells it from another camera.

    Raises
    ------
    CameraError
        When the camera is lost while its card is read or a picture fetched. Calling again goes
        on.
    """
    if (disk := transfer.store.database.disk).is_shared:
        yield (
            f"The archive is on a network disk ({printable(disk.kind, 40)}): one program at a time "
            "can use it, on one computer."
        )
    for intent in transfer.store.journal.intents(transfer.roll_id):
        if intent.kind == "arrival":
            yield from _finish_arrival(transfer, intent)
    if found := restore_bench_shots(transfer.archive, transfer.roll):
        transfer.store.journal.log(
            "recovery", f"Test shots recorded: {', '.join(found)}", transfer.roll_id
        )
    if camera is not None:
        yield from _look_on_card(transfer, camera, camera_key)
    yield from words(transfer, in_folder(transfer))
    transfer.archive.write_all_facts(transfer.roll)


def _look_on_card(transfer: CardTransfer, camera: Camera, camera_key: str) -> Iterator[str]:
    store, roll_id = transfer.store, transfer.roll_id
    try:
        listed = listed_files(store, roll_id, camera, camera_key)
        transfer.listed = tuple(listed)
    except CardUnclear as error:
        # Looking again would not help. What was begun stays begun until the card can be listed.
        yield str(error)
        return
    yield from _finish_fetches(transfer, camera, camera_key, listed)
    claimed = claims(store, roll_id, camera_key, listed)
    yield from _finish_releases(transfer, camera, claimed)
    yield from _offer(transfer, camera_key, [f for f in listed if f not in claimed.others])


def _finish_arrival(transfer: CardTransfer, intent: Intent) -> Iterator[str]:
    try:
        captures, lost = transfer.filing.resume(intent.id, intent.frame, intent.facts)
    except FilingError as error:
        yield f"Frame {intent.frame}: {error}"
        return
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        # Facts that this program did not write. The files lie where they are.
        transfer.store.journal.log("recovery", f"unreadable facts: {error!r}", transfer.roll_id)
        transfer.store.journal.end(intent.id)
        yield f"Frame {intent.frame}: what the database says of an arrival makes no sense."
        return
    for capture in captures:
        yield f"Frame {intent.frame}: {printable(capture.file_name)} had arrived and is filed now."
    if lost:
        yield (
            f"Frame {intent.frame}: {plural(len(lost), 'file')} of the last release "
            "did not reach the disk; the camera's copy is fetched."
        )


def _finish_fetches(
    transfer: CardTransfer, camera: Camera, camera_key: str, listed: Sequence[CardFile]
) -> Iterator[str]:
    for intent in transfer.store.journal.intents(transfer.roll_id):
        if intent.kind != "fetch" or intent.facts.get("camera") != camera_key:
            continue
        try:
            files = card_files(intent.facts)
        except (KeyError, TypeError):
            files = []  # facts that this program did not write
        names = ", ".join(printable(f.name, 40) for f in files)
        if not files:
            transfer.store.journal.end(intent.id)
        elif all(file in listed for file in files):
            yield from _fetch(transfer, camera, intent, names)
        else:
            yield (
                f"Frame {intent.frame}: {names} is not on the card in the camera. Is it on another "
                "card? Put that one in and start again. Or shoot the frame again."
            )
            _one_start_less(transfer, intent)


def _fetch(transfer: CardTransfer, camera: Camera, intent: Intent, names: str) -> Iterator[str]:
    facts = dict(intent.facts) | {"origin": "card"}
    found = Intent(intent.id, intent.kind, intent.frame, facts, intent.begun_at)
    try:
        transferred = transfer.fetch(camera, found, _quiet)
    except CameraLost:
        raise
    except FileUnavailable as error:
        # It was asked for again and again by now; the next start would only get the same.
        yield f"Frame {intent.frame}: {names} could not be fetched: {error}"
        _only_offer(transfer, intent)
        return
    except (CameraError, FilingError) as error:
        yield f"Frame {intent.frame}: {names} could not be fetched: {error}"
        _one_start_less(transfer, intent)
        return
    yield (
        f"Frame {intent.frame}: the picture was on the camera's card and is fetched now."
        if transferred.captures or transferred.repeated
        else f"Frame {intent.frame}: the camera held no raw file of it."
    )
    yield from transferred.said


def _one_start_less(transfer: CardTransfer, intent: Intent) -> None:
    """Count the starts at which a picture could not be had; after some, only offer it."""
    starts = int(intent.facts.get("starts", 0)) + 1
    if starts < _STARTS:
        transfer.store.journal.advance(intent.id, "fetch", dict(intent.facts) | {"starts": starts})
        return
    _only_offer(transfer, intent)


def _only_offer(transfer: CardTransfer, intent: Intent) -> None:
    """Ask for a picture no more by itself: it is offered like any other on the card."""
    files = card_files(intent.facts)
    transfer.store.journal.know_card_files(str(intent.facts["camera"]), files, unfetched=True)
    transfer.store.journal.log(
        "recovery",
        f"No longer asked for: {', '.join(printable(f.name, 40) for f in files)}",
        transfer.roll_id,
        intent.frame,
    )
    transfer.store.journal.end(intent.id)


def _finish_releases(transfer: CardTransfer, camera: Camera, claimed: Claims) -> Iterator[str]:
    for release, files in claimed.mine:
        if not files:
            what = "raw file" if release.facts.get("had_others") else "picture"
            yield f"Frame {release.frame}: the shutter was to be fired, but no {what} was made."
            transfer.store.journal.end(release.id)
            continue
        facts = {"settings": {}, **release.facts, "origin": "card"}
        facts["files"] = [asdict(f) for f in files]
        transfer.store.journal.advance(release.id, "fetch", facts)
        fetching = Intent(release.id, "fetch", release.frame, facts, release.begun_at)
        names = ", ".join(printable(f.name, 40) for f in files)
        yield from _fetch(transfer, camera, fetching, names)


def _offer(transfer: CardTransfer, camera_key: str, listed: Sequence[CardFile]) -> Iterator[str]:
    store = transfer.store
    new = store.journal.unknown_card_files(camera_key, listed)
    seen = f"card of {camera_key}"
    if store.fact(seen) is None:
        store.set_fact(seen, store.stamp())
        store.journal.know_card_files(camera_key, new)
        if new:
            yield (
                f"The camera's card holds {plural(len(new), 'file')} that this program did not "
                "take; they stay there."
            )
        return
    store.journal.know_card_files(camera_key, new, unfetched=True)
    waiting = store.journal.unfetched_card_files(camera_key, listed)
    if waiting:
        names = ", ".join(printable(f.name, 40) for f in waiting[:3])
        yield (
            f"The camera's card holds {plural(len(waiting), 'file')} that no frame has: {names}"
            f"{' …' if len(waiting) > 3 else ''}. They stay there until somebody says which frame "
            "they are of."
        )


def _quiet(_: Progress) -> None:
    """Report nothing: there is no screen yet."""


STILL_WRITING_SECONDS = 3.0
"""How long a camera may still be writing the picture of a release that was not heard of."""

RECENT_SECONDS = 60.0
"""A release that was begun longer ago has ended in the camera, whatever came of it."""


_SECOND_ENDINGS = frozenset({"jpg", "jpeg", "heic", "heif", "hif"})


@dataclass(frozen=True, slots=True)
class Claims:
    """``mine`` has each release of one roll with its files; ``others`` belong to other rolls."""

    mine: tuple[tuple[Intent, tuple[CardFile, ...]], ...]
    others: frozenset[CardFile]


def listed_files(store: Store, roll_id: int, camera: Camera, camera_key: str) -> list[CardFile]:
    """List the card; with a release just begun, wait for a picture that is still being written."""
    listed = list(camera.list_files())
    fired = [i for roll, i in store.journal.open_releases(camera_key) if roll == roll_id]
    if (
        fired
        and _is_recent(fired[-1], store.database.clock())
        and not store.journal.unknown_card_files(camera_key, listed)
    ):
        late = camera.wait_for_files(STILL_WRITING_SECONDS + _seconds(fired[-1]))
        listed += [file for file in late if file not in listed]
    return listed


def claims(store: Store, roll_id: int, camera_key: str, listed: Sequence[CardFile]) -> Claims:
    """Share the unknown pictures on a card among the releases that are open."""
    named = {file for facts in store.journal.open_fetches(camera_key) for file in _files_of(facts)}
    unknown = store.journal.unknown_card_files(camera_key, listed)
    seen = {name_stem(f) for f in set(listed).difference(unknown)}
    # The second file of a picture that was seen before came late; no open release made it.
    unknown = [
        f for f in unknown if f not in named and not (_is_second(f) and name_stem(f) in seen)
    ]
    releases = store.journal.open_releases(camera_key)
    shares = shared(exposures(unknown), len(releases)) if releases else []
    mine = []
    others = set(named)
    for (roll, release), files in zip(releases, shares, strict=True):
        if roll == roll_id:
            mine.append((release, tuple(files)))
        else:
            others.update(files)
    return Claims(tuple(mine), frozenset(others))


def _is_second(file: CardFile) -> bool:
    """Tell by its name whether a file is what cameras write beside a raw file."""
    return file.name.rpartition(".")[2].lower() in _SECOND_ENDINGS


def shared(found: Sequence[list[CardFile]], count: int) -> list[list[CardFile]]:
    """Share exposures, oldest first, among ``count`` releases that were begun, oldest first.

    The earlier of several releases may have come to nothing; the last ones have theirs. One
    exposure too many may be the same frame by the camera's own button, so the last release gets
    it too. Many more are another card: only the newest can be what was fired.
    """
    kept = list(found if len(found) <= count + 1 else found[-count:])
    kept = [[] for _ in range(count - len(kept))] + kept
    return [*kept[: count - 1], [file for rest in kept[count - 1 :] for file in rest]]


def _files_of(facts: object) -> list[CardFile]:
    try:
        return card_files(facts) if isinstance(facts, dict) else []
    except (KeyError, TypeError):
        return []  # facts that this program did not write


def _seconds(release: Intent) -> float:
    """Return the shutter time of a release in seconds, at most half a minute."""
    settings = release.facts.get("settings")
    said = settings.get(Role.SHUTTER.value) if isinstance(settings, dict) else None
    return min(30.0, shutter_seconds(str(said)) or 0.0)


def _is_recent(release: Intent, now: datetime) -> bool:
    """Tell whether a release was begun moments ago. A clock set back since says no."""
    try:
        passed = now - datetime.fromisoformat(release.begun_at)
    except (ValueError, TypeError):
        return False
    return 0 <= passed.total_seconds() < RECENT_SECONDS
