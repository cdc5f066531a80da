"""A day's account: what was photographed at the bench that day, and what waits."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.archive.conftest import Desk
from tether.archive.records import Capture
from tether.reports.day import account

NOON = datetime(2027, 5, 31, 12, 0, tzinfo=UTC).astimezone()
PAUSE = timedelta(minutes=5)


def test_a_day_has_its_frames_its_hours_and_what_waits(desk: Desk) -> None:
    archive = desk.archive()
    session = desk.session("Harbour", frames=10, archive=archive)
    roll = session.roll
    number = 0

    def take(frame: int, minutes: float, origin: str = "program") -> None:
        nonlocal number
        number += 1
        at = (NOON + timedelta(minutes=minutes)).astimezone(UTC).isoformat()
        capture = Capture(
            *(0, frame, archive.store.frames.next_take(roll.id, frame), f"x{number}.dng", 10),
            *(f"{number:064x}", at, origin),
        )
        archive.store.frames.add_release(roll, [capture])

    take(1, -24 * 60)
    for frame, minutes in ((2, 0), (3, 1), (3, 2), (4, 3), (5, 63), (6, 64)):
        take(frame, minutes)
    take(7, 30, "adopted")
    take(8, 24 * 60)
    found = account(archive, NOON.date(), PAUSE)
    assert (found.rolls, found.frames, found.takes) == ((("Harbour", 5),), 5, 6)
    assert found.pauses == 1
    # 1 + 1 + 1 + 1 minutes for frames 3, 4 and 6; the hour between 4 and 5 is a pause.
    assert found.frames_an_hour == 45
    assert round(found.hours * 60, 6) == 4
    assert (found.unfinished, found.waiting, found.not_delivered) == (1, 0, 0)
    said = found.lines()
    assert said[0] == "2027-05-31: 5 frames of 1 roll, 1 retake."
    assert said[1] == "0.1 hours, without 1 pause: 45 frames per hour."
    quiet = account(archive, NOON.date() + timedelta(days=9), PAUSE)
    assert quiet.lines()[0] == "2027-06-09: no frame was photographed."
    assert quiet.frames_an_hour is None
    first = account(archive, NOON.date() - timedelta(days=1), PAUSE)
    assert first.frames == 1
