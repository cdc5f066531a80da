"""The worktable's part for long hours: the foot switch, the pause, the statement, what is heard."""

from __future__ import annotations

from datetime import timedelta

from rich.text import Text
from textual import work

from tether.findings import Verdict
from tether.session.next_step import NextKind
from tether.session.session import Shot
from tether.tui.screens.worktable_view import Table
from tether.tui.terminal.sound import sound


class Hours(Table):
    """A worktable for many rolls."""

    def action_proceed(self) -> object:
        """Do what comes next."""
        raise NotImplementedError

    def action_again(self) -> object:
        """Put the picture aside for another take."""
        raise NotImplementedError

    def action_forward(self) -> None:
        """Do what comes next, as a foot switch asks for it.

        It goes one step further than Enter: a picture that has to be shot again is put aside, so
        that the hands can stay at the film. What wants a look is left to a choice by hand.
        """
        place = self.view.place if self.view else None
        waiting = place.capture if place is not None and place.kind is NextKind.DECIDE else None
        if waiting is not None and waiting.verdict is Verdict.RESHOOT:
            self.action_again()
        else:
            self.action_proceed()

    @work(group="action")
    async def action_pause(self) -> None:
        """Stop the clock until the person goes on."""
        from tether.tui.screens.pause_screen import PauseScreen

        since = await self.attempt(self.port.pause)
        if since is None:
            return
        await self.app.push_screen_wait(PauseScreen(since))
        said = await self.attempt(lambda: self.port.go_on(since))
        if said:
            self.say(said)

    @work(group="action")
    async def action_statement(self) -> None:
        """Show what was done, what to look at again, and what is next."""
        from tether.tui.screens.dialogs import Reading

        pause = timedelta(minutes=self.context.settings.planning.pause_minutes)
        said = await self.attempt(lambda: self.port.statement(pause))
        if said is None:
            return
        text = Text("\n".join(said.lines()))
        text.append(f"\n{said.copy}\n\n")
        text.append("What is next\n", "bold")
        text.append("\n".join(said.next))
        await self.app.push_screen_wait(Reading("How far the roll is", text))

    def _show_shot(self, shot: Shot) -> None:
        """Say what came of a release; let it be heard when it has to be repeated."""
        super()._show_shot(shot)
        if any(capture.verdict is Verdict.RESHOOT for capture, _ in shot.captures):
            complaint = sound(self.context.settings.alerts)
            if complaint:
                self.say(" ".join([*shot.said, complaint]))
