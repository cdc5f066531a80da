"""The set-up: from an empty table to a bench that is ready, step by step."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from tether.bench.benches import BenchSetup
from tether.bench.steps import BENCH, Step
from tether.session.session import View
from tether.text import plural
from tether.tui.app_context import ScreenContext
from tether.tui.keys import bindings
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import Pick
from tether.tui.screens.setup_screens import screen_of
from tether.tui.session_port import SessionPort, SetUpState
from tether.tui.widgets.bench_form import Answer, BenchForm
from tether.tui.widgets.caution import caution
from tether.tui.widgets.next_step_panel import question_text, step_keys

_SAME, _CHANGED, _NEW = "same", "changed", "new"


class SetUpScreen(BenchScreen):
    """Goes through the set-up. What is confirmed here the main screen does not ask again."""

    HEADING = "Set-up"
    HELP: ClassVar[str] = (
        "From an empty table to a bench that is ready. Each step says what to do, why, and how to "
        "check it. {next} does the step; the arrow keys show the others."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings("set-up")

    def __init__(self, context: ScreenContext, port: SessionPort, view: View) -> None:
        super().__init__(context, port, view)
        self.known: SetUpState | None = None

    def body(self) -> ComposeResult:
        """Lay out the list of steps and the highlighted step."""
        with Horizontal(id="walk"):
            steps = OptionList(id="walk-steps")
            steps.border_title = "Steps"
            yield steps
            with VerticalScroll(id="walk-step", can_focus=False) as box:
                box.border_title = "Step"
                yield Static(id="walk-text")
        yield Static(id="walk-keys")

    async def on_mount(self) -> None:
        """Show the set-up, at the first open step."""
        self.query_one("#walk-steps").focus()
        # Whether a step is longer than its panel is known once it is laid out, and not before.
        box = self.query_one("#walk-step")
        self.watch(box, "show_vertical_scrollbar", self._show_keys, init=False)
        await self._refresh(onward=True)

    @property
    def step(self) -> Step:
        """The highlighted step."""
        at = self.query_one("#walk-steps", OptionList).highlighted
        return self.steps[at or 0]

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps that the bench has."""
        return self.known.steps if self.known else ()

    def _open(self) -> list[Step]:
        return [s for s in self.steps if self.known and s.key not in self.known.done]

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        """Offer only what fits the highlighted step."""
        if self.known is None or not self.query("#walk-steps"):
            return action == "leave"
        is_open = self.step.key not in self.known.done
        fits = {
            "done": is_open and bool(self.step.station),
            "again": not is_open and self.step.key != BENCH,
            "leave_out": bool(self._open()),
        }
        return fits.get(action, True)

    # --- showing -----------------------------------------------------------------------------

    async def _refresh(self, *, onward: bool = False) -> None:
        """Read which steps are done and show it; ``onward`` goes to the first open step."""
        self.known = await self.port.set_up_state()
        for steps in self.query("#walk-steps").results(OptionList):
            if steps.option_count != len(self.steps):
                steps.clear_options().add_options(Option("", id=s.key) for s in self.steps)
            for i, step in enumerate(self.steps):
                done = step.key in self.known.done
                mark = ("✓ ", "green") if done else "· "
                text = Text.assemble(mark, (step.label, "" if done else "bold"))
                steps.replace_option_prompt_at_index(i, text)
            if onward and (left := self._open()):
                steps.highlighted = self.steps.index(left[0])
            steps.border_subtitle = f"{len(self.steps) - len(self._open())} of {len(self.steps)}"
        self._show()

    def _show(self) -> None:
        if self.known is not None:
            title = f" {self.HEADING}"
            if self.known.bench:
                title += f": {self.known.bench}"
            self.put(".bench-title", Text(f"{title} ", "bold reverse"))
            self.put("#walk-text", self._text(self.step))
            self._show_keys()
            for box in self.query("#walk-step"):
                box.scroll_home(animate=False)
            self.refresh_bindings()

    def _show_keys(self) -> None:
        """Say what the keys do; Page Down only where the step is longer than its panel."""
        if self.known is None:
            return
        longer = any(box.show_vertical_scrollbar for box in self.query("#walk-step"))
        read = "   [{read-on}] read on" if longer else ""
        said = self.keys.put_into(f"{self._keys(self.step)}{read}")
        self.put("#walk-keys", Text(said, "dim"))

    def on_option_list_option_highlighted(self) -> None:
        """Show the step that is highlighted."""
        self._show()

    def _text(self, step: Step) -> Text:
        assert self.known is not None, "shown only when it is known"
        text = Text()
        if step.key == BENCH:
            text.append_text(question_text(self.known.question, self.known.bench))
            return text
        text.append(f"{step.what}\n", "bold")
        if step.caution:
            text.append_text(caution(step.caution))
        text.append(f"\nWhy: {step.why}\n\nHow: {self.keys.put_into(step.more)}\n\n")
        text.append("Check: ", "bold")
        text.append(step.see)
        return text

    def _keys(self, step: Step) -> str:
        assert self.known is not None, "shown only when it is known"
        if step.key in self.known.done:
            onward = "next open step" if self._open() else "back, all is done"
            change = "[{set-up}] change the bench" if step.key == BENCH else "[{retry}] ask again"
            return f"✓ Done. [{{next}}] {onward}   {change}"
        if step.with_film and not self.known.film_in_gate:
            return (
                "This step comes up again with the first frame in the gate.   "
                "[{next}] continue to the roll   [{done}] done already"
            )
        if step.key == BENCH:
            known = self.known.question.last
            return (
                "[{next}] choose bench"
                if known
                else "[{next}] name the bench   [{skip-rest}] skip set-up"
            )
        return step_keys(step)

    # --- doing -------------------------------------------------------------------------------

    async def on_option_list_option_selected(self) -> None:
        """A click on the step that is looked at; Enter is the screen's own."""
        self.action_proceed()

    @work(group="action")
    async def action_proceed(self) -> None:
        """Do the step that is highlighted, or open the screen for it."""
        if self.known is None or self.line.working:
            return
        step, left = self.step, self._open()
        if not left:
            self.dismiss(False)
        elif step.key in self.known.done:
            await self._refresh(onward=True)
        elif step.key == BENCH:
            await self._which_bench()
        elif step.with_film and not self.known.film_in_gate:
            self.dismiss(False)
        elif step.station:
            await self._open_screen(step)
        else:
            await self._confirm(step)

    @work(group="action")
    async def action_done(self) -> None:
        """Store that the step is done, without its screen."""
        await self._confirm(self.step)

    async def _confirm(self, step: Step) -> None:
        place = await self.line.attempt(lambda: self.port.confirm_set_up(step))
        if place is not None:
            await self._refresh(onward=True)
            if not self._open():
                self.line.say("The bench is ready. {next} continues.")

    async def _open_screen(self, step: Step) -> None:
        """Open the screen for a step; what was done there is done."""
        make = await asyncio.to_thread(screen_of, step.station)
        done = await self.app.push_screen_wait(
            make(self.context, self.port, await self.port.view())
        )
        await self._refresh()
        if done:
            await self._confirm(step)

    @work(group="action")
    async def action_again(self) -> None:
        """Ask a finished step again."""
        step = self.step
        if await self.line.attempt(lambda: self.port.do_again(step)) is not None:
            await self._refresh()

    @work(group="action")
    async def action_undo(self) -> None:
        """Take the last step back."""
        what = await self.line.attempt(self.port.undo_set_up)
        if what is not None:
            await self._refresh(onward=True)
            self.line.say(f"Undone: {what}.")

    @work(group="action")
    async def action_leave_out(self) -> None:
        """Skip the open steps, and go back to the main screen."""
        said = await self.line.attempt(self.port.skip_set_up)
        if said is not None:
            self.dismiss(False)

    @work(group="action")
    async def action_bench(self) -> None:
        """Choose another bench, or change this one."""
        await self._which_bench()

    async def _which_bench(self) -> None:
        """Ask whether it is the same bench; where it is not, what is different."""
        if self.known is None:
            return
        question = self.known.question
        picked = _NEW
        if question.last is not None:
            options = [
                (_SAME, f"The same: {question.last.name}"),
                (_CHANGED, f"{question.last.name}, but something was changed or moved"),
                *((f"other-{i}", f"Another: {b.name}") for i, b in enumerate(question.others)),
                (_NEW, "A new bench"),
            ]
            answered = await self.app.push_screen_wait(Pick("Which bench is this?", options))
            if answered is None:
                return
            picked = answered
        bench = question.last if picked in (_SAME, _CHANGED) else BenchSetup("")
        if picked.startswith("other-"):
            bench = question.others[int(picked.removeprefix("other-"))]
        assert bench is not None, "offered only where there is one"
        answer: Answer | None = Answer(bench, frozenset(), question.person)
        if picked in (_CHANGED, _NEW):
            if not bench.light:
                bench = replace(bench, light=self.known.light)
            form = BenchForm(bench, self.known.camera, question.person)
            answer = await self.app.push_screen_wait(form)
        if answer is None:
            return
        said = answer
        before = len(self._open())
        if await self.line.attempt(
            lambda: self.port.use_bench(said.bench, said.moved, said.person)
        ):
            await self._refresh(onward=True)
            held = before - len(self._open()) - 1
            kept = f" {plural(held, 'step')} from before still count." if held > 0 else ""
            self.line.say(f"{said.bench.name}.{kept} {plural(len(self._open()), 'step')} to do.")

    def action_read(self, pages: int) -> None:
        """Read on, or back, in a step that is longer than its panel."""
        box = self.query_one("#walk-step")
        box.scroll_relative(y=pages * max(box.size.height - 2, 1), animate=False)
