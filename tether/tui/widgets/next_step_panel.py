"""The next thing to do: the step, why, its caution, and the keys that answer it."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.archive.records import Capture, Scope
from tether.bench.benches import BenchQuestion
from tether.bench.steps import BASE, BENCH, Step, reminders, steps_of
from tether.findings import Severity, Verdict
from tether.findings.kind import ACTIONS
from tether.session.next_step import NextKind, NextStep, asks_which_side
from tether.session.session import View
from tether.text import plural, printable
from tether.tui.keys import Keys
from tether.tui.widgets.caution import caution
from tether.tui.widgets.redraw import put, put_title

_MOST_REMARKS = 2
"""Of what the panel says about the light; 80 columns have no room for more."""
_WHICH_SIDE = " Does writing read the right way round? If not: [{backwards}]\n"
_STAYS = " Every take stays on disk.\n"
_TITLES = {
    Scope.SITTING: "set-up",
    Scope.ROLL: "roll",
    Scope.STRIP: "strip",
    Scope.FRAME: "frame",
}


def step_keys(step: Step) -> str:
    """Say how a step is done, its keys by their ids."""
    if step.station:
        return f"[{{next}}] open {ACTIONS[step.station]}   [{{done}}] done already"
    return "[{next}] done"


def _append_step(text: Text, step: Step, keys: Keys, *, short: bool) -> None:
    text.append(f"{step.what}\n", "bold")
    text.append(f"Why: {step.why}\n")
    if short and step.scope in (Scope.STRIP, Scope.FRAME):
        text.append("".join(f"Reminder: {words}\n" for words in reminders(step.scope)))
    if step.caution:
        text.append_text(caution(step.caution))
    rest = "   [{set-up}] all steps   [{skip-rest}] skip set-up"
    more = rest if step.scope is Scope.SITTING else ""
    text.append(keys.put_into(f"{step_keys(step)}   [{{help}}] how{more}"), "dim")


def _step_title(view: View, step: Step) -> str:
    """Say which of how many steps this is; the base exposure belongs to the set-up's count."""
    place = view.place
    at = {Scope.STRIP: f" {place.strip}", Scope.FRAME: f" {place.frame}"}.get(step.scope, "")
    peers = steps_of(step.scope, short=view.short, lock=view.lock)
    if step.scope is Scope.SITTING:
        peers = (*peers, BASE)
    count = f" ({peers.index(step) + 1} of {len(peers)})" if step in peers else ""
    return f"Next: {_TITLES[step.scope]}{at}{count}"


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
        place = view.place
        if place.step is not None:
            title, text = _step_title(view, place.step), self._step(view, place.step)
        elif place.kind is NextKind.SHOOT:
            title, text = f"Next: shoot frame {place.frame}", self._shot(view)
        elif place.kind is NextKind.DECIDE and place.capture is not None:
            title = f"Next: frame {place.frame}, keep or reshoot?"
            text = self._choice(view, place.capture)
        else:
            title, text = "Done", self._end(view)
        note = view.frames[place.frame - 1].note if place.frame else ""
        if note:
            text.append(f"\nNote: {printable(note)}", "italic")
        put_title(self, title)
        put(self.query_one("#next-text", Static), text)
        self.scroll_home(animate=False)

    def _step(self, view: View, step: Step) -> Text:
        text = Text()
        if step.key == BENCH and view.bench is not None:
            text.append_text(question_text(view.bench))
            same = "[{next}] the same   [{set-up}] something changed, or another bench"
            asked = same if view.bench.last else "[{next}] set up the bench"
            keys = self.keys.put_into(f"{asked}   [{{skip-rest}}] skip set-up")
            return text.append(keys, "dim")
        _append_step(text, step, self.keys, short=view.short)
        return text

    def _shot(self, view: View) -> Text:
        said = self.keys.put_into
        text = Text().append("Hands off the bench. Wait a moment, then fire.\n", "bold")
        for remark in view.remarks[:_MOST_REMARKS]:
            words = f"{Severity.LOOK.mark} {remark.text.rstrip('.')}"
            text.append(said(f"{words} (key {{{remark.action}}}).\n"), "bold yellow")
        if view.short:
            text.append("".join(f"Reminder: {words}\n" for words in reminders(Scope.FRAME)))
        elif not view.remarks:
            text.append("Why: any touch during the exposure blurs the picture.\n")
        if view.frames[(view.place.frame or 1) - 1].chosen is not None:
            text.append(said("This frame is already done. [{onward}] next open frame\n"))
        keys = "[{next}] or the camera's button: shoot   [{skip}] skip   [{blank}] blank   "
        return text.append(said(keys.rstrip()), "dim")

    def _choice(self, view: View, waiting: Capture) -> Text:
        said = self.keys.put_into
        keep = waiting.verdict is Verdict.KEEP
        text = Text().append("Keep it?" if keep else "Read the verdict, then choose.", "bold")
        unsure = asks_which_side(view.roll, view.frames, view.place)
        text.append(said(_WHICH_SIDE if unsure else _STAYS))
        text.append(said("[{next}] keep" if keep else "[{keep}] keep anyway"), "dim")
        advice = printable(view.advised_shutter or "", 20)
        right = f" (shutter already at {advice})" if view.shutter_is_right else ""
        text.append(f"{said('   [{reshoot}] reshoot')}{right}", "dim")
        if _is_blank(waiting):
            text.append(said("   [{blank}] blank"), "dim")
        if advice and not right:
            text.append(f"{said('   [{advice}] set')} {advice} and reshoot", "dim")
        return text

    def _end(self, view: View) -> Text:
        text = Text().append(f"All {view.roll.frames_expected} frames are done.\n", "bold")
        keys = (
            "[{progress}] progress and what to do next   [{next-roll}] next roll   "
            "[{go-to}] go to a frame   [{extra-frame}] extra frame   [{leave}] leave"
        )
        return text.append(self.keys.put_into(keys), "dim")


def what_is_next(view: View | None) -> str:
    """Say what comes next, in a sentence; with all frames done, what can be done."""
    place = view.place if view else NextStep(NextKind.DONE)
    if place.kind is NextKind.DONE:
        return "All frames are done: {next-roll} begins the next roll, {leave} leaves."
    return f"Next: {place.sentence().rstrip('.')}."


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
        text.append("Why: next time the program asks only about changes.\n")
        return text
    if named:
        text.append(f"This is {last.name}\n", "bold")
    else:
        text.append("Is it the same bench as last time?\n", "bold")
    text.append(f"{last.name}", "bold")
    text.append(f" ({last.parts()}), last used {last.used_at[:10]}.\n")
    if question.changed and not named:
        changed = ", ".join(sorted(question.changed))
        text.append(f"Changed since last time: {changed}. ", "bold")
        text.append("The program will ask you to check those again.\n")
    if question.standing and not named:
        since = min(day for _, day in question.standing)
        text.append(
            f"If so, {plural(len(question.standing), 'step')} from {since} still count. The "
            "program asks only for the checks of every session.\n"
        )
    return text
