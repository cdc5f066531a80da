"""The next thing to do: the step, why, its caution, and the keys that answer it."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.archive.records import Capture, Scope
from tether.bench.benches import BenchQuestion
from tether.bench.steps import BENCH, Step, reminders, steps_of
from tether.findings import Verdict
from tether.session.next_step import NextKind
from tether.session.session import View
from tether.text import plural, printable
from tether.tui.keys import Keys
from tether.tui.screens.setup_screens import STATIONS
from tether.tui.widgets.redraw import put, put_title

_MOST_REMARKS = 2
"""Of what is said about the light; there is no room for more in 80 columns."""
_TITLES = {
    Scope.SITTING: "set up",
    Scope.ROLL: "the roll",
    Scope.STRIP: "strip",
    Scope.FRAME: "frame",
}


def _append_step(text: Text, step: Step, keys: Keys, *, short: bool) -> None:
    text.append(f"{step.what}\n", "bold")
    text.append(f"Why: {step.why}\n")
    if short and step.scope in (Scope.STRIP, Scope.FRAME):
        text.append("".join(f"Reminder: {words}\n" for words in reminders(step.scope)))
    if step.caution:
        text.append(f"! Caution: {step.warning}\n", "bold yellow")
    station = step.station
    opens = f"[{keys[station]}] opens: {STATIONS[station]}   " if station else ""
    walk = f"   [{keys['walk']}] walk   [{keys['leave-out']}] leave the set-up out"
    rest = walk if step.scope is Scope.SITTING else ""
    text.append(f"{opens}[{keys['next']}] done   [{keys['help']}] how{rest}", "dim")


class NextUp(VerticalScroll):
    """Says what comes next."""

    can_focus = False

    def __init__(self, keys: Keys) -> None:
        super().__init__(id="next")
        self.keys = keys

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        yield Static(id="next-text")

    def show(self, view: View) -> None:
        """Show a view."""
        place, keys = view.place, self.keys
        text = Text()
        if place.step is not None:
            at = {Scope.STRIP: f" {place.strip}", Scope.FRAME: f" {place.frame}"}
            peers = steps_of(place.step.scope, short=view.short, lock=view.lock)
            count = (
                f" ({peers.index(place.step) + 1} of {len(peers)})" if place.step in peers else ""
            )
            title = f"Next: {_TITLES[place.step.scope]}{at.get(place.step.scope, '')}{count}"
            if place.step.key == BENCH and view.bench is not None:
                text.append_text(question_text(view.bench))
                text.append(
                    f"[{keys['next']}] the same   "
                    f"[{keys['walk']}] walk: something changed, another bench   "
                    f"[{keys['leave-out']}] leave the set-up out"
                    if view.bench.last
                    else f"[{keys['next']}] or [{keys['walk']}] the set-up walk   "
                    f"[{keys['leave-out']}] leave the set-up out",
                    "dim",
                )
            else:
                _append_step(text, place.step, keys, short=view.short)
        elif place.kind is NextKind.SHOOT:
            frame = view.frames[(place.frame or 1) - 1]
            title = f"Next: shoot frame {place.frame}"
            text.append("Hands off the bench, then fire the shutter.\n", "bold")
            for remark in view.remarks[:_MOST_REMARKS]:
                key = keys[remark.action]
                text.append(f"! {remark.text.rstrip('.')} (key {key}).\n", "bold yellow")
            if not view.remarks:
                text.append("Why: the picture is taken by itself, with nothing trembling.\n")
            if frame.chosen is not None:
                text.append(f"This frame is decided. [{keys['onward']}] leaves it as it is.\n")
            text.append(
                f"[{keys['next']}] or [{keys['shoot']}] shoot   [{keys['skip']}] skip   "
                f"[{keys['blank']}] blank   [{keys['damaged']}] damaged   "
                "or the camera's own button",
                "dim",
            )
        elif place.kind is NextKind.DECIDE and place.capture is not None:
            title = f"Next: decide about frame {place.frame}"
            keep = place.capture.verdict is Verdict.KEEP
            text.append(
                "Keep it?\n" if keep else "Read the verdict, then choose.\n",
                "bold",
            )
            text.append("The picture stays on disk, whatever you choose.\n")
            enter = f"[{keys['next']}] or " if keep else ""
            text.append(f"{enter}[{keys['keep']}] keep{'' if keep else ' all the same'}", "dim")
            advice = printable(view.advised_shutter or "", 20)
            right = f" (the shutter stands at {advice} now)" if view.shutter_is_right else ""
            text.append(f"   [{keys['again']}] another take{right}", "dim")
            if _is_blank(place.capture):
                text.append(f"   [{keys['blank']}] mark as blank", "dim")
            if advice and not right:
                text.append(f"   [{keys['advice']}] set {advice}, another take", "dim")
        else:
            title = "Done"
            text.append(f"All {view.roll.frames_expected} frames are decided.\n", "bold")
            text.append(
                f"[{keys['how-far']}] what was done, what to look at again, what is next   "
                f"[{keys['go-to']}] go back to a frame   [{keys['extra-frame']}] one more frame   "
                f"[{keys['leave']}] leave",
                "dim",
            )
        note = view.frames[place.frame - 1].note if place.frame else ""
        if note:
            text.append(f"\nNote: {printable(note)}", "italic")
        put_title(self, title)
        put(self.query_one("#next-text", Static), text)
        self.scroll_home(animate=False)


def _is_blank(capture: Capture) -> bool:
    """Whether the verdict says that the frame shows nothing."""
    return capture.facts.has("blank-frame", "even-frame")


def question_text(question: BenchQuestion, named: str = "") -> Text:
    """Put the question about the bench into words."""
    text = Text()
    last = question.last
    if last is None:
        text.append("Which bench is this?\n", "bold")
        text.append("Give it a name, and write down its lens, holder and lamp.\n")
        text.append("Why: the next time you are only asked what has changed on it.\n")
        return text
    if named:
        text.append(f"This is {last.name}\n", "bold")
    else:
        text.append("Is it the same bench as last time?\n", "bold")
    text.append(f"{last.name}", "bold")
    text.append(f" ({last.parts()}), last used {last.used_at[:10]}.\n")
    if question.changed and not named:
        seen = ", ".join(sorted(question.changed))
        text.append(f"! Seen to be different: {seen}. Its steps are asked.\n", "bold yellow")
    if question.standing and not named:
        since = min(day for _, day in question.standing)
        text.append(
            f"Then {plural(len(question.standing), 'step')} done since {since} still hold, and "
            "what has to be done each time is asked.\n"
        )
    return text
