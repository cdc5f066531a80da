"""The camera's line shows what it is given, brackets included."""

from __future__ import annotations

import pytest
from textual.app import App, ComposeResult

from tether.camera.protocol import CameraState, Role, Setting
from tether.tui.keys import Keys
from tether.tui.widgets.camera_line import CameraLine, camera_text


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


@pytest.mark.parametrize(
    ("wording", "shown"),
    [
        ("NEF (Raw)", "raw"),
        ("RAW + Large Fine JPEG", "raw + JPEG"),
        ("JPEG Fine", "JPEG"),
        ("Format 7", "Format 7"),
    ],
)
def test_the_files_of_an_exposure_are_called_what_they_are(wording: str, shown: str) -> None:
    """The driver's own word stands only where the program does not know what it means."""
    setting = Setting(Role.IMAGE_FORMAT, "imagequality", wording)
    text = camera_text("Model", CameraState({Role.IMAGE_FORMAT: setting}), Keys())
    assert text == f"Model  {shown}"
