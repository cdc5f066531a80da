"""A break for eyes and back is called for after an hour of work, whatever roll or start it is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tether.archive.archive import Archive
from tether.archive.records import Sitting
from tether.session.breaks import Breaks
from tether.settings import SittingSettings

BEGIN = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)


class Hand:
    """Works at a bench, and waits."""

    def __init__(self, archive: Archive, settings: SittingSettings) -> None:
        self.archive = archive
        self.settings = settings
        self.now = BEGIN
        self.start()

    def start(self, sitting: Sitting | None = None) -> None:
        """Start the program, in the session that is given or in a new one."""
        now = self.now.isoformat()
        self.breaks = Breaks(
            self.archive.store,
            lambda: self.now,
            sitting or Sitting(1, now, now, "usb", short=False),
            self.settings,
        )

    def passes(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)

    def shoots(self, minutes: int) -> list[int]:
        """Work a picture a minute; return after how many of them something was said."""
        said = []
        for minute in range(1, minutes + 1):
            self.passes(1)
            self.breaks.worked()
            if self.breaks.reminder():
                said.append(minute)
        return said


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with closing(Archive(tmp_path / "archive")) as made:
        yield made


@pytest.fixture
def hand(archive: Archive) -> Hand:
    return Hand(archive, SittingSettings())


def test_it_is_said_once_an_hour(hand: Hand) -> None:
    assert hand.shoots(150) == [60, 120]


def test_a_break_begins_the_hour_again_and_a_look_away_does_not(hand: Hand) -> None:
    assert hand.shoots(50) == []
    hand.passes(3)
    assert hand.shoots(6) == []
    hand.passes(10)
    assert hand.shoots(62) == [61], "an hour from the first key after the break"


def test_the_hour_goes_on_over_starts_and_rolls(hand: Hand) -> None:
    began = hand.now.isoformat()
    hand.passes(6)
    hand.breaks.worked()  # a break before anything was done: the hour begins here
    hand.shoots(30)
    hand.start(Sitting(1, began, hand.now.isoformat(), "usb", short=False))
    assert hand.shoots(40) == [30]
    hand.start(Sitting(1, began, hand.now.isoformat(), "usb", short=False))
    assert hand.shoots(55) == [50]


def test_a_new_session_owes_nothing_to_the_one_before(hand: Hand) -> None:
    hand.shoots(59)
    hand.passes(60 * 24)
    hand.start()
    assert hand.shoots(10) == []


def test_it_can_be_switched_off_and_shortened(archive: Archive) -> None:
    assert Hand(archive, SittingSettings(break_minutes=0.0)).shoots(200) == []
    assert Hand(archive, SittingSettings(break_minutes=25.0)).shoots(60) == [25, 50]


@pytest.mark.parametrize("stored", ["", "soon", "2026-11-02T08:00:00", "9" * 40])
def test_a_damaged_fact_is_no_time(hand: Hand, stored: str) -> None:
    hand.archive.store.set_fact("work without a break since", stored)
    assert hand.shoots(61) == [60]


def test_the_words_name_the_time_and_fit_a_line(hand: Hand) -> None:
    hand.passes(60)
    (said,) = hand.breaks.reminder()
    assert said.startswith("60 minutes without a break")
    assert len(said) <= 78
