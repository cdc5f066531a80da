"""Which pictures on a camera's card came of releases that were not heard of to the end.

Releases of all rolls are looked at together: one that another roll has open may own the newest
picture, and is finished when that roll is opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from tether.archive.records import Intent
from tether.archive.store import Store
from tether.camera.protocol import Camera, CardFile, Role
from tether.camera.values import shutter_seconds
from tether.capture.transfer import card_files

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
    seen = {_stem(f) for f in set(listed).difference(unknown)}
    # The second file of a picture that was seen before came late; no open release made it.
    unknown = [f for f in unknown if f not in named and not (_is_second(f) and _stem(f) in seen)]
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


def exposures(files: Sequence[CardFile]) -> list[list[CardFile]]:
    """Part files into exposures: a raw file and its JPEG have one name but for the ending."""
    found: dict[tuple[str, str], list[CardFile]] = {}
    for file in sorted(dict.fromkeys(files), key=lambda f: (f.modified or 0, f.folder, f.name)):
        found.setdefault(_stem(file), []).append(file)
    return list(found.values())


def _stem(file: CardFile) -> tuple[str, str]:
    return file.folder, file.name.rpartition(".")[0] or file.name


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
