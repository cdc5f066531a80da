"""What can be undone: the last steps and choices of one roll, kept with the archive.

What is kept is read back as text to distrust: an entry that makes no sense is left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

from tether.archive.open_roll import OpenRoll
from tether.archive.records import Capture, Confirmed, Frame, FrameState, Scope
from tether.bench.benches import BenchBook
from tether.facts import Facts
from tether.session.next_step import NextStep, in_force
from tether.text import parsed_json, printable

_MOST = 30
"""How many of the last are kept of a roll."""
_WRONG = (KeyError, TypeError, ValueError)
_DECISIONS = (None, "chosen", "other")


@dataclass(frozen=True, slots=True, eq=False)
class Undoable:
    """One thing that was done.

    ``step`` is None for a choice; ``newest`` is the number of the newest picture of that moment,
    0 for none; ``before`` says how to put it back.
    """

    what: str
    step: Confirmed | None = None
    newest: int = 0
    before: Mapping[str, Any] = field(default_factory=dict)


class UndoStack:
    """The last steps and choices of one roll, in order; they outlive the program.

    Parameters
    ----------
    roll
        Whose they are.
    sitting
        The session that goes on: steps of an earlier one are over.
    benches
        Where a step of the set-up is remembered, too.
    """

    def __init__(self, roll: OpenRoll, sitting: int, benches: BenchBook) -> None:
        self._roll = roll
        self._sitting = sitting
        self._benches = benches
        self._done = list(self._read())

    def __bool__(self) -> bool:
        """Whether anything was done."""
        return bool(self._done)

    # --- what is done ------------------------------------------------------------------------

    def add_step(self, label: str, step: Confirmed, bench: tuple[str, str | None] | None) -> None:
        """Remember a step; ``bench`` is whose it is too, and when it was done there before."""
        self._add(f"“{label}”", {"bench": bench} if bench else {}, step)

    def add_choice(self, number: int) -> None:
        """Remember how a frame is before a choice about it."""
        frame = self._roll.frame(number)
        before = {
            "frame": number,
            "state": frame.state.value,
            "decisions": {str(c.id): c.decision for c in frame.captures},
            "cursor": self._roll.roll.cursor,
            "memory_of": self._roll.store.rolls.memory_source(self._roll.id),
        }
        self._add(f"the choice about frame {number}", before)

    def add_facts(self, what: str, capture: Capture) -> None:
        """Remember what was known of a capture before a person said otherwise."""
        facts = dict(capture.facts.stored)
        self._add(what, {"frame": capture.frame, "file": capture.file_name, "facts": facts})

    def add_frame(self, number: int) -> None:
        """Remember that the roll got one more frame."""
        self._add(f"adding frame {number}", {"added": number})

    def _add(self, what: str, before: Mapping[str, Any], step: Confirmed | None = None) -> None:
        newest = max((c.id for f in self._roll.frames() for c in f.captures), default=0)
        self._done = [*self._done, Undoable(what, step, newest, before)][-_MOST:]
        self._write()

    # --- what can be taken back --------------------------------------------------------------

    def last(self, place: NextStep, confirmed: Sequence[Confirmed]) -> Undoable | None:
        """Return what taking back would take back, None for nothing.

        Passed over are steps whose withdrawal would change nothing that is to be seen: those which
        a waiting picture was taken upon (it comes first, and shows that they were done), those
        of another strip or frame than the one that lies in the gate by now, and a frame that was
        added and has a picture or a choice by now.
        """
        waits = place.capture.id if place.capture else 0
        for done in reversed(self._done):
            if done.step is not None:
                fits = done.newest >= waits and _holds(done.step, confirmed)
            else:
                fits = "added" not in done.before or self._is_bare(done.before["added"])
            if fits:
                return done
        return None

    def last_of(self, keys: Set[str], confirmed: Sequence[Confirmed]) -> Undoable | None:
        """Return the last that is one of some steps and still holds, None for none."""
        for done in reversed(self._done):
            if done.step is not None and done.step.key in keys and _holds(done.step, confirmed):
                return done
        return None

    def take_back(self, done: Undoable) -> None:
        """Take one thing back. Whatever was passed over to get there is forgotten."""
        del self._done[self._done.index(done) :]
        self._put_back(done)

    def take_back_only(self, done: Undoable) -> None:
        """Take one thing back, and leave what was done since as it is."""
        self._done.remove(done)
        self._put_back(done)

    def _put_back(self, done: Undoable) -> None:
        before = done.before
        store, roll = self._roll.store, self._roll.id
        if done.step is not None:
            store.journal.take_back(self._sitting, done.step)
            if "bench" in before:
                name, at = before["bench"]
                self._benches.mark(name, done.step.key, at)
        elif "added" in before:
            store.rolls.change(roll, frames_expected=before["added"] - 1)
            self._roll.archive.write_roll(self._roll.roll)
        elif "facts" in before:
            captures = self._roll.frame(before["frame"]).captures
            for capture in (c for c in captures if c.file_name == before["file"]):
                facts = Facts.read(before["facts"])
                memory = store.frames.capture_memory(capture.id)
                store.frames.set_judgement(capture.id, facts.verdict, facts, memory)
            self._roll.write_frame(before["frame"])
        else:
            number, decisions = before["frame"], before["decisions"]
            now = self._roll.frame(number)
            captures = tuple(
                replace(c, decision=decisions[str(c.id)])
                for c in now.captures
                if str(c.id) in decisions
            )
            frame = Frame(number, FrameState(before["state"]), captures=captures)
            store.frames.restore(roll, frame, before["cursor"], before["memory_of"])
            self._roll.write_frame(number)
        self._write()

    def _is_bare(self, number: int) -> bool:
        """Whether a frame is the roll's last, and nothing was done about it."""
        if number != self._roll.roll.frames_expected:
            return False
        frame = self._roll.frame(number)
        return frame.state is FrameState.OPEN and not frame.captures and not frame.note

    # --- how it is kept ----------------------------------------------------------------------

    @property
    def _fact(self) -> str:
        return f"undo of roll {self._roll.id}"

    def _write(self) -> None:
        rows = [
            {
                "what": done.what,
                "step": [done.step.scope.value, done.step.place, done.step.key]
                if done.step
                else None,
                "newest": done.newest,
                "before": done.before,
                "sitting": self._sitting,
            }
            for done in self._done
        ]
        self._roll.store.set_fact(self._fact, json.dumps(rows) if rows else None)

    def _read(self) -> Iterator[Undoable]:
        with suppress(ValueError):
            rows = parsed_json(self._roll.store.fact(self._fact) or "[]")
            for row in rows if isinstance(rows, list) else []:
                with suppress(*_WRONG):
                    if (done := self._entry(row)) is not None:
                        yield done

    def _entry(self, row: Mapping[str, Any]) -> Undoable | None:
        """Read one, None for a step of an earlier session.

        Raises
        ------
        KeyError, TypeError, ValueError
            When this program did not write it.
        """
        before, step = dict(row["before"]), None
        if row["step"] is not None:
            if row["sitting"] != self._sitting:
                return None
            scope, place, key = row["step"]
            step = Confirmed(Scope(scope), int(place), str(key))
            if "bench" in before:
                name, at = before["bench"]
                before = {"bench": (str(name), at if isinstance(at, str) else None)}
        elif "added" in before:
            before = {"added": int(before["added"])}
        else:
            before = self._choice(before)
        return Undoable(printable(str(row["what"]), 80), step, int(row["newest"]), before)

    def _choice(self, before: Mapping[str, Any]) -> dict[str, Any]:
        number, frames = int(before["frame"]), range(1, self._roll.roll.frames_expected + 1)
        if number in frames and "facts" in before:
            return {"frame": number, "file": str(before["file"]), "facts": dict(before["facts"])}
        cursor, source = before["cursor"], before["memory_of"]
        decisions = {str(k): v for k, v in dict(before["decisions"]).items()}
        if number not in frames or any(v not in _DECISIONS for v in decisions.values()):
            raise ValueError("not a choice about a frame of this roll")
        return {
            "frame": number,
            "state": FrameState(before["state"]).value,
            "decisions": decisions,
            "cursor": cursor if cursor in frames else None,
            "memory_of": source if isinstance(source, str) else None,
        }


def _holds(step: Confirmed, confirmed: Sequence[Confirmed]) -> bool:
    return step.key in in_force(confirmed, step.scope, step.place)
