"""The camera's line shows what it is given, brackets included."""

from __future__ import annotations

from textual.app import App, ComposeResult

from tether.tui.keys import Keys
from tether.tui.widgets.camera_line import CameraLine


class Line(App[None]):
    def compose(self) -> ComposeResult:
        yield CameraLine(Keys())


async def test_keys_and_a_cameras_name_are_shown_with_their_brackets() -> None:
    app = Line()
    async with app.run_test(size=(80, 3)) as pilot:
        app.query_one(CameraLine).show("Model [red]", None)
        await pilot.pause()
        shown = "".join(segment.text for segment in app.query_one(CameraLine).render_line(0))
    assert shown.strip() == "Model [red]: not connected   [C] connect"
