"""The next thing to do: the step, why, its caution, and the keys that answer it."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.session.checklist import Scope, steps_of
from tether.session.place import Todo
from tether.session.session import View
from tether.text import printable

_TITLES = {
    Scope.SITTING: "set up",
    Scope.ROLL: "the roll",
    Scope.STRIP: "strip",
    Scope.FRAME: "frame",
}


class NextUp(VerticalScroll):
    """Says what comes next."""

    can_focus = False

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        yield Static(id="next-text")

    def show(self, view: View) -> None:
        """Show a view."""
        place = view.place
        text = Text()
        if place.step is not None:
            at = {Scope.STRIP: f" {place.strip}", Scope.FRAME: f" {place.frame}"}
            peers = steps_of(place.step.scope, short=view.short)
            count = (
                f" ({peers.index(place.step) + 1} of {len(peers)})" if place.step in peers else ""
            )
            self.border_title = (
                f"Next: {_TITLES[place.step.scope]}{at.get(place.step.scope, '')}{count}"
            )
            text.append(f"{place.step.what}\n", "bold")
            text.append(f"Why: {place.step.why}\n")
            if place.step.caution:
                text.append(f"! Caution: {place.step.caution}\n", "bold yellow")
            text.append("[Enter] done   [?] how", "dim")
        elif place.todo is Todo.SHOOT:
            frame = view.frames[(place.frame or 1) - 1]
            self.border_title = f"Next: shoot frame {place.frame}"
            text.append("Hands off the bench, then fire the shutter.\n", "bold")
            text.append("Why: the picture is taken by itself, with nothing trembling.\n")
            if frame.chosen is not None:
                text.append("This frame is decided. [N] leaves it as it is.\n")
            text.append(
                "[Enter] or [F] shoot   [S] skip   [B] blank   [D] damaged   or the camera's "
                "own button",
                "dim",
            )
        elif place.todo is Todo.DECIDE and place.capture is not None:
            self.border_title = f"Next: decide about frame {place.frame}"
            keep = place.capture.verdict == "keep"
            text.append(
                "Keep it?\n" if keep else "Read the verdict, then choose.\n",
                "bold",
            )
            text.append("The picture stays on disk, whatever you choose.\n")
            text.append("[Enter] or [K] keep" if keep else "[K] keep all the same", "dim")
            text.append("   [A] another take", "dim")
            advice = place.capture.facts.get("advice_shutter")
            if isinstance(advice, str):
                text.append(f"   [U] set {printable(advice, 20)}, another take", "dim")
        else:
            self.border_title = "Done"
            text.append(f"All {view.roll.frames_expected} frames are decided.\n", "bold")
            text.append("[G] go back to a frame   [E] one more frame   [Q] leave", "dim")
        note = view.frames[place.frame - 1].note if place.frame else ""
        if note:
            text.append(f"\nNote: {printable(note)}", "italic")
        self.query_one("#next-text", Static).update(text)
        self.scroll_home(animate=False)
