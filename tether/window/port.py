"""What the window may ask of a session, and do: the rules are the session's own.

What is done names the take or the frame that it is meant for. So a page that is a moment behind
the terminal does nothing to another one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.errors import NotNow, TetherError
from tether.facts import Facts
from tether.positive.rendering import outline_of
from tether.proof.make import choose_frames
from tether.proof.record import LONGEST_WORD, Proof, read_proof
from tether.session.next_step import NextKind
from tether.session.session import Session, View
from tether.text import printable
from tether.tui.session_port import SessionPort
from tether.window.pictures import Take

_DECISIONS = {"chosen": "kept", "other": "not kept", None: "waits for your choice"}
_MARKS = (FrameState.BLANK.value, FrameState.SKIPPED.value)


class WindowPort:
    """A session as the window sees it."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port

    def watch(self, told: Callable[[], object]) -> None:
        """Have it told when there is another view or live picture, whoever made it."""
        self._port.watchers.append(told)

    @property
    def seen(self) -> View | None:
        """The view that was read last."""
        return self._port.seen

    @property
    def live(self) -> tuple[int, bytes]:
        """The newest live picture with its number, (0, b"") before the first."""
        return self._port.live

    async def state(self) -> dict[str, Any]:
        """Return all that the page shows, as JSON has it."""
        return state_of(await self._port.view())

    async def take(self, number: int) -> Take:
        """Return what a take is shown by; raises `NotNow` where there is none of that number."""

        def find(session: Session) -> Take:
            captures = _captures(session)
            capture = _capture(captures, number)
            # Open gates are counted by the roll's takes, in the order in which they came.
            order = 1 + sorted(c.id for c in captures).index(capture.id)
            gate = session.bench.light.gate_for(order)
            return Take(
                session.open_roll.file(capture.file_name),
                session.roll.process,
                capture.strobe,
                outline_of(capture.facts.framing),
                gate,
                session.settings.positive,
            )

        return await self._port.ask(find)

    async def proof(self) -> dict[str, Any]:
        """Return the roll's proof as JSON has it; no frames where there is none."""
        proof = await self._port.ask(lambda s: read_proof(s.open_roll.test_folder))
        return {"frames": proof.frames, "circled": {str(n): w for n, w in proof.circled.items()}}

    async def proof_source(self) -> tuple[Path, Roll, Proof]:
        """Return what the small positives of the proof are made from."""
        return await self._port.ask(
            lambda s: (s.open_roll.test_folder, s.roll, read_proof(s.open_roll.test_folder))
        )

    async def do(self, action: str, given: Mapping[str, Any]) -> str:
        """Do something on the session's thread; return what there is to say about it.

        Raises
        ------
        TetherError
            When it cannot be done now, or is nothing that can be done.
        """
        known: dict[str, Callable[[Session, Mapping[str, Any]], str]] = {
            "keep": _keep, "reshoot": _reshoot, "mark": _mark, "note": _note, "go": _go,
            "circle": _circle, "undo": lambda s, _: f"Undone: {s.undo()}.",
        }  # fmt: skip
        if action not in known:
            raise TetherError("The window asked for something that there is not.")
        said = await self._port.ask(lambda s: known[action](s, given))
        await self._port.view()
        return said


def _keep(session: Session, given: Mapping[str, Any]) -> str:
    capture = _capture(_captures(session), given.get("take"))
    session.choose(capture.frame, capture.id)
    return f"Frame {capture.frame}: take {capture.take} is kept."


def _reshoot(session: Session, given: Mapping[str, Any]) -> str:
    waiting = session.next_step().capture
    if waiting is None or waiting.id != given.get("take"):
        raise NotNow("This take does not wait for your choice.", todo="Choose among its takes.")
    session.shoot_again()
    return f"Frame {waiting.frame} is to be shot again; the take stays."


def _mark(session: Session, given: Mapping[str, Any]) -> str:
    wanted, place = given.get("state"), session.next_step()
    if wanted not in _MARKS:
        raise TetherError("The window asked for a mark that there is not.")
    if place.frame is None or place.frame != given.get("frame"):
        raise NotNow("Only the frame at work can be marked.", todo="Go to the frame first.")
    session.mark(FrameState(wanted))
    return f"Frame {place.frame} is marked {wanted}."


def _note(session: Session, given: Mapping[str, Any]) -> str:
    number = _frame(session, given)
    session.note(str(given.get("text", "")), number)
    return f"Noted for frame {number}."


def _go(session: Session, given: Mapping[str, Any]) -> str:
    place = session.go_to(_frame(session, given) if given.get("frame") is not None else None)
    return f"Next: {place.sentence()}."


def _circle(session: Session, given: Mapping[str, Any]) -> str:
    number, word = _frame(session, given), given.get("word")
    wanted = printable(word, LONGEST_WORD) if isinstance(word, str) else None
    proof = choose_frames(session.open_roll, {number: wanted})
    return f"{len(proof.circled)} of {len(proof.frames)} frames are circled."


def _frame(session: Session, given: Mapping[str, Any]) -> int:
    number = given.get("frame")
    if not isinstance(number, int):
        raise TetherError("The window named no frame.")
    session.open_roll.check_frame(number)
    return number


def _captures(session: Session) -> list[Capture]:
    return [c for frame in session.frames() for c in frame.captures]


def _capture(captures: Sequence[Capture], number: object) -> Capture:
    found = next((c for c in captures if c.id == number), None)
    if found is None:
        raise NotNow("There is no such take on this roll.")
    return found


def state_of(view: View) -> dict[str, Any]:
    """Return a view as JSON has it."""
    place, roll = view.place, view.roll
    takes = [c.id for frame in view.frames for c in frame.captures]
    return {
        "roll": roll.name,
        "film": f"{roll.process.label}, {roll.film_format.label}",
        "negative": roll.process.is_negative,
        "done": view.done,
        "of": roll.frames_expected,
        "next": place.sentence(),
        "at": place.frame,
        "waiting": place.capture.id if place.kind is NextKind.DECIDE and place.capture else None,
        "newest": max(takes, default=None),
        "can_undo": view.can_undo,
        "camera": view.camera is not None,
        "frames": [_frame_json(frame, roll.strip_of(frame.number)) for frame in view.frames],
    }


def _frame_json(frame: Frame, strip: int) -> dict[str, Any]:
    waits = frame.undecided is not None
    return {
        "number": frame.number,
        "strip": strip,
        "mark": "?" if waits else frame.state.mark,
        "word": "waits for your choice" if waits else frame.state.value,
        "note": frame.note,
        "takes": [_take_json(capture) for capture in frame.captures],
    }


def _take_json(capture: Capture) -> dict[str, Any]:
    return {
        "id": capture.id,
        "take": capture.take,
        "mark": capture.verdict.mark,
        "word": capture.verdict.word,
        "decision": _DECISIONS.get(capture.decision, ""),
        "findings": [{"text": f.text, "action": f.action} for f in capture.facts.findings],
        "outline": _outline(capture.facts),
    }


def _outline(facts: Facts) -> list[list[float]] | None:
    """Return the picture's corners in photosites, where they are sure."""
    outline = outline_of(facts.framing)
    return [list(corner) for corner in outline] if outline else None
