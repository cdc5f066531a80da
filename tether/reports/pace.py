"""How fast the work at the bench goes, as the archive shows it, and what is still to be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from tether.archive.archive import Archive
from tether.archive.pauses import Span, overlap, pauses_of
from tether.archive.records import Roll

#: So many of the newest rolls at work are looked at: enough to be steady, recent enough to be
#: true.
NEWEST_ROLLS = 50
PAGE = 5000


@dataclass(frozen=True, slots=True)
class Taken:
    """One file in the archive: when it was taken, of which frame, and its size in bytes."""

    at: datetime
    roll: int
    frame: int
    size: int


@dataclass(frozen=True, slots=True)
class FramePace:
    """What a frame takes, retakes included.

    ``seconds`` is None before two frames were photographed without a pause between them,
    ``bytes_a_frame`` None before the first. ``timed`` counts the frames that ``seconds`` rests
    on, ``stored`` those of ``bytes_a_frame``, ``pauses`` the gaps that were left out.
    """

    seconds: float | None
    timed: int
    pauses: int
    bytes_a_frame: float | None
    stored: int


@dataclass(frozen=True, slots=True)
class ArchiveProgress:
    """What an archive holds and still lacks."""

    rolls: int
    unfinished: int
    frames_expected: int
    frames_done: int
    free_bytes: int
    pace: FramePace


def pace_of(exposures: Sequence[Taken], pause: timedelta, said: Sequence[Span] = ()) -> FramePace:
    """Measure the pace from the times of exposures, in any order.

    All time between one exposure and the next counts, up to ``pause``: retakes, the change of
    strips and of rolls belong to the work. It is shared out among the frames that were new. The
    pauses that the person ``said`` do not count, however short.
    """
    seen: set[tuple[int, int]] = set()
    spent, timed, pauses = timedelta(), 0, 0
    before: datetime | None = None
    for one in sorted(exposures, key=lambda e: e.at):
        new = (one.roll, one.frame) not in seen
        seen.add((one.roll, one.frame))
        if before is not None:
            paused = overlap(said, before, one.at)
            pauses += bool(paused) or one.at - before > pause
            if one.at - before - paused <= pause:
                spent += one.at - before - paused
                timed += new
        before = one.at
    return FramePace(
        seconds=spent.total_seconds() / timed if timed and spent else None,
        timed=timed,
        pauses=pauses,
        bytes_a_frame=sum(e.size for e in exposures) / len(seen) if seen else None,
        stored=len(seen),
    )


def archive_progress(archive: Archive, pause: timedelta) -> ArchiveProgress:
    """Read from an archive how far it is, and the pace of its newest rolls."""
    totals = archive.store.rolls.totals()
    return ArchiveProgress(
        rolls=totals.rolls,
        unfinished=totals.unfinished,
        frames_expected=totals.frames_expected,
        frames_done=totals.frames_done,
        free_bytes=archive.free_bytes(),
        pace=_pace(archive, _at_work(archive), pause),
    )


def pace_of_roll(archive: Archive, roll: Roll, pause: timedelta) -> FramePace:
    """Measure the pace of one roll."""
    return _pace(archive, [roll], pause)


def _pace(archive: Archive, rolls: Sequence[Roll], pause: timedelta) -> FramePace:
    taken = [one for roll in rolls for one in _taken(archive, roll)]
    said = [s for roll in rolls for s in pauses_of(archive.store.journal.log_since(roll.id, 0))]
    return pace_of(taken, pause, said)


def _taken(archive: Archive, roll: Roll) -> list[Taken]:
    found = []
    beside: dict[tuple[int | None, int | None], int] = {}
    for c in archive.store.frames.companions(roll.id):
        beside[c.frame, c.take] = beside.get((c.frame, c.take), 0) + c.size
    for frame in archive.store.frames.of(roll):
        for capture in frame.captures:
            if (at := _time(capture.taken_at)) is not None:
                size = capture.size + beside.get((capture.frame, capture.take), 0)
                found.append(Taken(at, roll.id, capture.frame, size))
    return found


def _at_work(archive: Archive) -> list[Roll]:
    """Return the newest rolls with a frame done: whole collections are entered beforehand."""
    found: list[Roll] = []
    skip = 0
    while len(found) < NEWEST_ROLLS and (page := archive.store.rolls.progress(PAGE, skip=skip)):
        found += [p.roll for p in reversed(page) if p.frames_done]
        skip += len(page)
    return found[:NEWEST_ROLLS]


def _time(text: str) -> datetime | None:
    """Read a stored time; one that was taken over from elsewhere may be anything."""
    try:
        at = datetime.fromisoformat(text)
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
