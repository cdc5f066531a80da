"""Judging a raw file in a worker process: no file can take the session down."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

from tether.archive.records import Capture
from tether.bench.benches import WorkBench
from tether.bench.light_record import KeptLight
from tether.camera.protocol import Role
from tether.camera.values import shutter_seconds
from tether.errors import NotNow, TetherError
from tether.facts import Facts, StoredFinding
from tether.findings import Finding, Verdict
from tether.measure.context import FrameContext
from tether.session.undo import UndoStack
from tether.settings import LAMP, STROBE, Settings
from tether.worker_process import (
    RAW_MEMORY_BYTES,
    RAW_SECONDS,
    WorkerDied,
    WorkerHung,
    WorkerProcess,
)

if TYPE_CHECKING:  # the session only hands arrays on; numpy would slow the program's start
    import numpy as np
    from numpy.typing import NDArray


class JudgeRequest(NamedTuple):
    """What a file is judged against.

    The worker makes the ``context``, which needs numpy, and adds to it ``memory``, what earlier
    frames of the roll left (b"" at its start), and what is kept of the roll's ``light``.
    """

    context: partial[FrameContext]
    memory: bytes = b""
    light: KeptLight = KeptLight()


_TRIES = 2
"""So often a file is judged whose worker dies or hangs."""
_AGAIN = "judge_again"
"""Stored with a file that the next start tries once more."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What came of it.

    ``memory`` is what the roll's later frames need if this one is kept. ``picture`` is a small
    linear picture relative to saturation, shape (h, w, 3), float32, None where there is none.
    """

    facts: Facts
    memory: bytes = b""
    picture: NDArray[np.float32] | None = None

    @property
    def verdict(self) -> Verdict:
        """What the findings add up to."""
        return self.facts.verdict

    @property
    def findings(self) -> tuple[StoredFinding, ...]:
        """What was found, gravest first."""
        return self.facts.findings


class Judging(Protocol):
    """What judges a raw file; see `Judge`."""

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Judge a file; never raises for a file that is bad."""
        ...


class JudgeWorker:
    """Does the judging; lives in the worker process."""

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Open and measure a file.

        Raises
        ------
        tether.raw.RawUnreadable
            When it is no raw file that can be measured.
        """
        from tether.measure.frame import measure_frame
        from tether.measure.roll.memory import RollMemory
        from tether.raw import open_mosaic

        context, light = request.context(), request.light
        memory = RollMemory.from_bytes(request.memory)
        memory = light.applied_to(memory, strobe=context.settings.light.strobe)
        context = replace(context, memory=memory, since=light.since)
        measured = measure_frame(open_mosaic(path), context)
        facts = Facts.read(measured.as_json())
        return Judgement(facts, measured.memory.to_bytes(), measured.picture)


class Judge:
    """Judges files one after the other in a worker that is ended when it misbehaves.

    Parameters
    ----------
    seconds
        Time limit for one file.
    memory_bytes
        Address space that the worker may take.
    """

    def __init__(self, seconds: float = RAW_SECONDS, memory_bytes: int = RAW_MEMORY_BYTES) -> None:
        self._seconds = seconds
        self._child = WorkerProcess(
            JudgeWorker, name="The judge of raw files", memory_bytes=memory_bytes
        )

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Judge a file; a file that cannot be judged gives the verdict UNJUDGED and says why.

        A worker that died or hung may not be the file's fault: a fresh one tries once more.
        """
        for _ in range(_TRIES):
            try:
                self._child.start()
                judged: Judgement = self._child.call("judge", path, request, timeout=self._seconds)
                return judged
            except TetherError as failure:
                error = failure
                # What a bad file left in the worker's memory must not touch the next one.
                self._child.kill()
                if not isinstance(failure, WorkerDied | WorkerHung):
                    break
        else:
            error.todo = "It was tried twice. Check the take yourself; the next start tries again."
            return unjudged(error, request.memory, again=True)
        return unjudged(error, request.memory)

    def close(self) -> None:
        """End the worker."""
        self._child.close()


def unjudged(error: TetherError, memory: bytes, *, again: bool = False) -> Judgement:
    """Return the judgement of a file that could not be judged; the roll's memory stays as it is.

    ``again``: the worker failed and not the file, so that the next start tries once more.
    """
    finding = Finding.of(
        "not-judged", case="" if error.todo else "no-advice", what=error.what, todo=error.todo
    )
    facts: dict[str, object] = {
        "verdict": Verdict.UNJUDGED.value,
        "error": error.what,
        "findings": [finding.as_json()],
    }
    if again:
        facts[_AGAIN] = True
    return Judgement(Facts.read(facts), memory)


class Verdicts:
    """The verdicts on a roll's pictures: made and stored once, and made afresh to be shown.

    Parameters
    ----------
    bench
        Its roll, and the light and the camera's settings that a picture is judged by.
    judge
        What judges a raw file.
    undo
        Takes what a person said of a picture, so that it can be taken back.
    """

    def __init__(self, bench: WorkBench, judge: Judging, undo: UndoStack) -> None:
        self._bench = bench
        self._undo = undo
        self._roll = bench.roll
        self.judging = judge
        self._last: tuple[int, Judgement] | None = None

    def judge(self, capture: Capture, *, last: bool = False) -> Judgement:
        """Judge a capture and store its judgement; the ``last`` try is not repeated."""
        judgement = self._judgement_of(capture)
        if last and judgement.facts.stored.get(_AGAIN):
            kept = {key: v for key, v in judgement.facts.stored.items() if key != _AGAIN}
            judgement = replace(judgement, facts=Facts.read(kept))
        self._last = (capture.id, judgement)
        self._roll.store.frames.set_judgement(
            capture.id, judgement.verdict, judgement.facts, judgement.memory
        )
        findings = "; ".join(judgement.facts.texts) or "no problems"
        self._roll.log("verdict", f"{judgement.verdict.value}: {findings}", capture.frame)
        self._roll.write_frame(capture.frame)
        return judgement

    def judge_waiting(self, *, again: bool = False) -> list[str]:
        """Judge the takes that an interruption left without a verdict; return a sentence for each.

        ``again`` tries those once more whose worker failed.
        """
        news = []
        for capture in (c for frame in self._roll.frames() for c in frame.captures):
            failed = capture.facts.stored.get(_AGAIN) is True
            if capture.decision is None and not capture.facts.stored:
                self.judge(capture)
                news.append(f"Frame {capture.frame} had not been judged. It has now been judged.")
            elif again and failed:
                verdict = self.judge(capture, last=True).verdict
                outcome = (
                    "still cannot be judged" if verdict is Verdict.UNJUDGED else "is judged now"
                )
                news.append(f"Frame {capture.frame}, take {capture.take} {outcome}.")
        return news

    def reads_backwards(self, capture: Capture | None) -> None:
        """Store that a person saw writing read backwards: the shiny side faced the lens.

        The take is to be shot again; where it is kept, it and the rest of its strip are mirrored.

        Raises
        ------
        NotNow
            When no picture waits.
        """
        if capture is None:
            raise NotNow("No picture is waiting for your decision.")
        self._roll.archive.check_in_place(self._roll.roll)
        finding = Finding.of("wrong-side", case="seen")
        before = capture.facts.stored
        found = [finding.as_json(), *before.get("findings", ())]
        verdict = {"verdict": Verdict.RESHOOT.value, "base_side_to_lens": True}
        self._store(capture, Facts.read({**before, **verdict, "findings": found}))
        self._roll.log("verdict", finding.text, capture.frame)
        self._undo.add_facts("that writing reads backwards", capture)

    def _store(self, capture: Capture, facts: Facts) -> None:
        frames = self._roll.store.frames
        memory = frames.capture_memory(capture.id)
        frames.set_judgement(capture.id, facts.verdict, facts, memory)
        self._roll.write_frame(capture.frame)

    def of(self, capture: Capture) -> Judgement:
        """Return a stored capture's judgement for showing, made afresh unless it is the last."""
        if self._last is None or self._last[0] != capture.id:
            self._last = (capture.id, self._judgement_of(capture))
        return self._last[1]

    def _judgement_of(self, capture: Capture) -> Judgement:
        roll, state = self._roll.roll, self._bench.camera.state
        shutter = capture.settings.get(Role.SHUTTER.value, "")
        seconds = shutter_seconds(shutter)
        setting = state.settings.get(Role.SHUTTER) if state else None
        context = partial(
            FrameContext,
            roll.process,
            roll.film_format,
            capture.frame,
            shutter=(shutter, seconds) if seconds else None,
            shutters=setting.times if setting else (),
            settings=self._settings_of(capture),
            order=sum(c.id <= capture.id for f in self._roll.frames() for c in f.captures),
        )
        memory = self._roll.store.rolls.memory(roll.id)
        request = JudgeRequest(context, memory, self._bench.light.kept)
        return self.judging.judge(self._roll.file(capture.file_name), request)

    def _settings_of(self, capture: Capture) -> Settings:
        """Return the settings with the light that lit a picture, whatever is there by now."""
        settings = self._bench.settings
        if not capture.settings:  # one that was found: nothing is known of it
            return settings
        kind = STROBE if capture.strobe else LAMP
        return replace(settings, light=replace(settings.light, kind=kind))
