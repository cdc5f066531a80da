"""The statement at the end, and the pauses that do not count as work."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from tether.archive.archive import REHEARSAL_CARD, Archive
from tether.archive.pauses import overlap, pauses_of, span
from tether.archive.records import Capture, FrameState, LogLine, NewRoll, Roll
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.reports.pace import Taken, pace_of
from tether.reports.rolls import leaving_text, statement

PAUSE = timedelta(minutes=15)
START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def line(minutes: float, kind: str, text: str = "", number: int = 1) -> LogLine:
    return LogLine(number, at(minutes).isoformat(), None, kind, text)


def shoot(archive: Archive, roll: Roll, frame: int, minutes: float, verdict: str = "keep") -> int:
    facts: dict[str, object] = {"findings": [{"severity": "look", "text": "One side is soft."}]}
    take = archive.store.frames.next_take(roll.id, frame)
    capture = Capture(
        0, frame, take, f"q_f{frame:03d}_t{take}.dng", 5, "0" * 64, at(minutes).isoformat(),
        "program", verdict=Verdict(verdict), facts=Facts.read(facts if verdict == "look" else {}),
    )  # fmt: skip
    return archive.store.frames.add_release(roll, [capture])[0].id


def test_the_statement_tells_what_was_done_and_what_is_next(archive: Archive) -> None:
    roll = archive.store.rolls.add(NewRoll("Quay", FilmProcess.BW_NEGATIVE, "135", 4, 4))
    first = shoot(archive, roll, 1, 0)
    archive.store.frames.decide(roll.id, 1, FrameState.KEPT, first)
    shoot(archive, roll, 2, 1)
    second = shoot(archive, roll, 2, 2, "look")
    archive.store.frames.decide(roll.id, 2, FrameState.KEPT, second)
    archive.store.frames.decide(roll.id, 3, FrameState.SKIPPED)
    said = statement(archive, "Quay", PAUSE)
    assert said.counts == ((FrameState.OPEN, 1), (FrameState.KEPT, 2), (FrameState.SKIPPED, 1))
    assert said.again == ((2, 2),)
    assert said.look == ((2, "One side is soft."),)
    # Two minutes of work brought one frame more than the first.
    assert said.seconds == pytest.approx(120)
    text = leaving_text(archive, "Quay")
    assert "Resume at frame 4" in text
    assert "No backup copy" in text
    (archive.root / REHEARSAL_CARD).mkdir()
    assert "A rehearsal is not copied to a copy folder." in leaving_text(archive, "Quay")
    (archive.root / REHEARSAL_CARD).rmdir()
    archive.store.frames.decide(roll.id, 4, FrameState.BLANK)
    text = leaving_text(archive, "Quay")
    for part in ("1 blank", "Reshot: frame 2 (2 takes).", "Check frame 2: One side is soft.",
                 "back into its sleeve", "deliver --archive", "Time per frame: 120 s"):  # fmt: skip
        assert part in text


def test_a_pause_that_was_said_is_no_work(archive: Archive) -> None:
    exposures = [Taken(at(m), 1, f, 5) for m, f in ((0, 1), (1, 2), (12, 3), (13, 4))]
    pace = pace_of(exposures, PAUSE, [(at(1.5), at(11.5))])
    assert pace.seconds == pytest.approx(60)
    assert (pace.timed, pace.pauses) == (3, 1)
    # A long one as well, where without it the gap would not count at all.
    far = [Taken(at(0), 1, 1, 5), Taken(at(61), 1, 2, 5)]
    assert pace_of(far, PAUSE, [(at(0.5), at(60.5))]).seconds == pytest.approx(60)


def test_pauses_are_read_from_the_log_also_after_a_stop_within_one() -> None:
    lines = [
        line(0, "sitting"),
        line(1, "pause", "Paused"),
        line(2, "camera", "something else"),
        line(3, "pause", "Went on after 2 minutes"),
        line(4, "pause", "Paused"),
        line(9, "sitting", "At work again"),
        line(10, "pause", "Paused"),
    ]
    assert pauses_of(lines) == ((at(1), at(3)), (at(4), at(9)))
    assert overlap(pauses_of(lines), at(2), at(5)) == timedelta(minutes=2)
    # A clock that was set back gives no pause of negative length; a damaged time gives none.
    assert pauses_of([line(5, "pause", "Paused"), line(1, "pause", "Went on")]) == ()
    assert pauses_of([LogLine(1, "soon", None, "pause", "Paused")]) == ()


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 seconds"), (59, "59 seconds"), (60, "1 minute"), (3900, "1 h 05 min")],
)
def test_a_span_in_words(seconds: int, words: str) -> None:
    assert span(timedelta(seconds=seconds)) == words
