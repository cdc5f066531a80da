"""A session without a keyboard: confirms every step, follows advice, obeys verdicts."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TextIO

from rich.console import Console

from tether.camera.errors import CameraError
from tether.camera.protocol import Role
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.findings import Verdict
from tether.session.next_step import NextKind
from tether.session.session import Session, Shot
from tether.text import printable

MOST_TAKES = 3
"""Takes of a frame, the last of which is kept for a person to check."""

_WORDS = {"fire": "firing", "fetch": "copying", "file": "filing", "judge": "judging"}


class Unattended:
    """Runs a session to its end, and says what it does, a line a frame.

    Parameters
    ----------
    session
        At any place; it goes on from there.
    out
        Where to write. On a terminal it also says what is going on.
    pause
        Waits a moment, while the archive's disk is away.
    """

    def __init__(
        self, session: Session, out: TextIO, pause: Callable[[], None] = lambda: time.sleep(1)
    ) -> None:
        self.session = session
        self._pause = pause
        self.out = out
        self.complete = False

    def run(self) -> None:
        """Work until the roll is complete.

        Raises
        ------
        CameraError
            When the camera fails more often than `MOST_TAKES` for one frame.
        """
        for said in self.session.found:
            self._print(said)
        failures = 0
        while not self.complete:
            try:
                self.complete = self._next()
                failures = 0
            except CameraError as error:
                failures += 1
                self._print(str(error))
                if failures >= MOST_TAKES:
                    raise
            except (TetherError, OSError) as error:
                if self.session.open_roll.in_place():
                    raise
                self._print(f"{error} Waiting for it.")
                while not self.session.open_roll.in_place():
                    self._pause()
                self._print("It is back.")

    def _next(self) -> bool:
        """Do the next thing; return whether the roll is complete."""
        place = self.session.next_step()
        if place.kind is NextKind.STEP:
            self.session.confirm(place.step)
        elif place.kind is NextKind.SHOOT:
            self._shoot(place.frame or 0)
        elif place.kind is NextKind.DECIDE:
            self._decide()
        return place.kind is NextKind.DONE

    def _shoot(self, frame: int) -> None:
        if not self.out.isatty():
            self._tell(self.session.capture())
            return
        with Console(file=self.out).status("") as status:

            def report(progress: Progress) -> None:
                phase = _WORDS.get(progress.phase, progress.phase)
                status.update(f"frame {frame:>3}: {phase}")

            shot = self.session.capture(report)
        self._tell(shot)

    def _tell(self, shot: Shot) -> None:
        for capture, _ in shot.captures:
            self._print(
                f"frame {capture.frame:>3}, take {capture.take}: {capture.verdict:<8} "
                f"{' '.join(capture.facts.texts) or 'no problems'}"
            )
        for said in shot.said:
            self._print(f"  {said}")

    def _decide(self) -> None:
        """Keep what may be kept; follow advice on a picture to shoot again, a few times."""
        place = self.session.next_step()
        capture = place.capture
        assert capture is not None, "a decision is about a capture"
        advice = capture.facts.advice_shutter
        wanted = advice is not None and advice != capture.settings.get(Role.SHUTTER.value)
        if capture.verdict is not Verdict.KEEP and capture.take < MOST_TAKES and wanted:
            self._print(f"  shutter set to {self.session.follow_advice()}, reshoot")
        else:
            self.session.keep()

    def _print(self, text: str) -> None:
        self.out.write(printable(text, 1000) + "\n")
        self.out.flush()
