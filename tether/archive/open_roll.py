"""A roll that this process works on, held against every other one until it is closed."""

from __future__ import annotations

from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.layout import TRIALS_FOLDER
from tether.archive.records import Capture, Frame, Roll, RollError


class OpenRoll:
    """One roll at work: what is stored of it now, and the way to write to it.

    Parameters
    ----------
    archive, roll
        Where it is stored, and which one.

    Raises
    ------
    tether.archive.lock.RollBusy
        When another program is at work on the roll.
    tether.archive.archive.ArchiveUnusable
        When its folder cannot be made, belongs to another roll, or was moved away.
    """

    def __init__(self, archive: Archive, roll: Roll) -> None:
        self.archive = archive
        self.store = archive.store
        self.id = roll.id
        self._lock = archive.open_roll(roll)

    def close(self) -> None:
        """Let go of the roll; the archive is the caller's. May be called twice."""
        self._lock.release()

    @property
    def roll(self) -> Roll:
        """The roll as it is stored now."""
        return self.store.rolls.by_id(self.id)

    @property
    def incoming(self) -> Path:
        """The folder for files on their way into the roll."""
        return self.archive.incoming(self.roll)

    @property
    def test_folder(self) -> Path:
        """The folder for test exposures, which belong to no frame."""
        return self.archive.folder(self.roll) / TRIALS_FOLDER

    def file(self, name: str) -> Path:
        """Return the path of a recorded file; raises as `Archive.file` does."""
        return self.archive.file(self.roll, name)

    def frames(self) -> tuple[Frame, ...]:
        """Return the frames as they are stored now, in order."""
        return self.store.frames.of(self.roll)

    def frame(self, number: int) -> Frame:
        """Return one frame as it is stored now."""
        return self.frames()[number - 1]

    def check_frame(self, number: int) -> None:
        """See that the roll has a frame.

        Raises
        ------
        RollError
            When it has not.
        """
        last = self.roll.frames_expected
        if not 1 <= number <= last:
            raise RollError(
                f"This roll has frames 1 to {last}, not {number}.",
                kept="Nothing was changed.",
                todo="Give one of its frame numbers.",
            )

    def stored(self, capture: Capture) -> Capture:
        """Return a capture as it is stored now: with its verdict, once it was judged."""
        return next(c for c in self.frame(capture.frame).captures if c.id == capture.id)

    def raw_bytes(self, expected: float) -> float:
        """Return how large a raw file of this roll gets; ``expected`` before the first one."""
        return max((c.size for f in self.frames() for c in f.captures), default=expected)

    def log(self, kind: str, text: str, frame: int | None = None) -> None:
        """Add a line to the roll's log."""
        self.store.journal.log(kind, text, self.id, frame)

    def write_frame(self, number: int) -> None:
        """Write what is known of a frame beside the raw files."""
        self.archive.write_frame(self.roll, self.frame(number))
