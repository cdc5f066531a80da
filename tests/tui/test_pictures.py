"""What a terminal says of itself, and pictures drawn for it."""

from __future__ import annotations

import re
import subprocess
import sys

import numpy as np
import pexpect
import pytest
from PIL import Image
from rich.color import Color
from textual.app import ComposeResult
from textual.strip import Strip

from tests.tui.piloting import Bare
from tether.settings import Settings
from tether.tui.terminal.probe import Terminal, Way, understood
from tether.tui.terminal.terminal_graphics import Pixels, cells_of, drawn, few_colours
from tether.tui.widgets.picture_widget import Drawn

HALF_LIGHT = Image.new("RGB", (60, 40), (0, 0, 0))
HALF_LIGHT.paste((255, 255, 255), (0, 0, 30, 40))


@pytest.mark.parametrize(
    ("answer", "way"),
    [
        (b"\x1b[?62;22c", Way.CELLS),
        (b"\x1b[?62;4;22c", Way.SIXEL),
        (b"\x1b[?64c", Way.CELLS),  # 64 is the terminal's level; attribute 4 alone says Sixel
        (b"\x1b_Gi=31;OK\x1b\\\x1b[?62c", Way.PIXELS),
        (b"\x1b_Gi=31;ENOTSUP\x1b\\\x1b[?62c", Way.CELLS),
        (b"", Way.CELLS),
        (b"abc\x1b[?", Way.CELLS),
    ],
)
def test_a_terminals_answer_is_understood(answer: bytes, way: Way) -> None:
    """DA1 as in ECMA-48 and its terminals' manuals: attribute 4 is Sixel."""
    assert understood(answer).way is way


def test_the_size_of_a_cell_is_the_systems_else_the_answers_else_usual() -> None:
    assert understood(b"\x1b[6;18;9t\x1b[?62c").cell_width == 9
    assert understood(b"\x1b[6;18;9t\x1b[?62c").cell_height == 18
    asked = understood(b"\x1b[6;18;9t\x1b[?62c", (24, 80, 640, 384))
    assert (asked.cell_width, asked.cell_height) == (8, 16)
    assert (understood(b"").cell_width, understood(b"").cell_height) == (10, 20)


ASKS = "from tether.tui.terminal.probe import asked\nwith asked() as a:\n    print('said', a())\n"


@pytest.mark.parametrize("answer", ["\x1b[6;20;10t\x1b[?62;4c", None])
def test_the_question_is_put_once_and_its_answer_not_shown(answer: str | None) -> None:
    child = pexpect.spawn(sys.executable, ["-c", ASKS], encoding="utf-8", timeout=20)
    child.delaybeforesend = None
    child.expect_exact("\x1b[c")
    if answer is not None:
        child.send(answer)
    child.expect(r"said (.*)\r\n")
    assert ("SIXEL" in child.match[1]) == (answer is not None)
    assert "?62" not in child.before
    child.expect(pexpect.EOF)
    assert child.wait() == 0


@pytest.mark.parametrize(
    ("name", "without"), [("vt100", True), ("linux", False), ("no such terminal", False)]
)
def test_a_terminal_without_colours_is_known_by_its_name(name: str, without: bool) -> None:
    """As terminfo describes them, once in a process; a name that it lacks may be anything."""
    code = f"from tether.tui.terminal.probe import monochrome\nprint(monochrome({name!r}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert done.stdout.decode().strip() == str(without)


def test_without_a_terminal_nothing_is_asked() -> None:
    done = subprocess.run(
        [sys.executable, "-c", ASKS], stdin=subprocess.DEVNULL, capture_output=True, check=True
    )
    assert done.stdout.startswith(b"said")
    assert b"\x1b" not in done.stdout


def colours(strip: Strip) -> list[tuple[int, int, int]]:
    """The upper colour of each cell of a line; () where there is none."""
    found: list[tuple[int, int, int]] = []
    for segment in strip:
        colour = segment.style.color if segment.style else None
        triplet = colour.get_truecolor() if isinstance(colour, Color) else None
        found += [tuple(triplet) if triplet else ()] * len(segment.text)  # type: ignore[list-item]
    return found


@pytest.mark.parametrize(("width", "height"), [(30, 10), (17, 9), (80, 3), (1, 1), (3, 40)])
def test_half_blocks_keep_the_shape_and_fill_the_room_given(width: int, height: int) -> None:
    lines = drawn(HALF_LIGHT, width, height, Terminal())
    assert isinstance(lines, list)
    assert len(lines) == height
    assert {line.cell_length for line in lines} == {width}
    columns, rows = cells_of(HALF_LIGHT, width, height, Terminal())
    assert columns == width or rows == height, "as large as it can be"
    # 60 x 40 pixels in cells of 10 x 20: three columns a row.
    assert abs(columns - 3 * rows) <= 3
    inked = [line for line in lines if "▀" in line.text]
    assert len(inked) == rows
    assert inked[0].text.count("▀") == columns


def test_half_blocks_show_what_is_light_left_and_dark_right() -> None:
    lines = drawn(HALF_LIGHT, 30, 10, Terminal())
    assert isinstance(lines, list)
    for line in lines:
        row = colours(line)
        assert min(row[1]) > 240
        assert max(row[-2]) < 16


def test_without_colour_shades_are_drawn() -> None:
    lines = drawn(HALF_LIGHT, 30, 10, Terminal(Way.SIXEL), shades=True)
    assert isinstance(lines, list)
    assert all(line.text.startswith("█" * 14) and line.text.endswith(" " * 14) for line in lines)
    assert all(s.style is not None and s.style.color is None for line in lines for s in line)


def test_what_is_saturated_is_hatched_at_the_size_it_is_drawn_in() -> None:
    """Stripes that are scaled down with the picture would come out as even grey."""
    picture = HALF_LIGHT.resize((600, 400)).convert("RGBA")
    picture.putalpha(255)
    picture.paste((255, 255, 255, 0), (0, 0, 100, 400))
    shades = drawn(picture, 30, 10, Terminal(), shades=True)
    cells = drawn(picture, 30, 10, Terminal())
    assert isinstance(shades, list)
    assert isinstance(cells, list)
    for line in shades:
        assert line.text.startswith("/" * 5 + "█" * 9)
    for line in cells:
        row = colours(line)
        assert {min(c) for c in row[6:14]} != {0}, "the picture beside it is as it was"
        assert len(set(row[:4])) == 2, "light and dark stripes"
    made = drawn(picture, 30, 10, Terminal(Way.SIXEL))
    assert isinstance(made, Pixels)


def test_sixel_data_is_what_the_standard_says() -> None:
    """Sixel as in the terminals' manual: DCS q, raster attributes with the size, ends with ST."""
    made = drawn(HALF_LIGHT, 30, 10, Terminal(Way.SIXEL))
    assert isinstance(made, Pixels)
    assert made.box == (0, 0, 30, 10)
    size = re.match(r'\x1bP[\d;]*q"1;1;(\d+);(\d+)', made.data)
    assert size is not None
    assert (int(size[1]), int(size[2])) == (300, 200)
    assert made.data.endswith("\x1b\\")


class Host(Bare):
    """Shows one picture."""

    def __init__(self) -> None:
        super().__init__(Settings())

    def compose(self) -> ComposeResult:
        yield Drawn(Terminal(), HALF_LIGHT)


async def test_a_picture_is_drawn_anew_for_a_changed_room_and_the_last_of_many_stays() -> None:
    app = Host()
    async with app.run_test(size=(80, 24)) as pilot:
        shown = app.query_one(Drawn)

        async def drawn_at(line: int) -> Strip:
            while not shown.finished or shown.size.height <= line:
                await pilot.pause(0.02)
            return shown.render_line(line)

        before = (await drawn_at(10)).text.count("▀")
        assert before > 0
        await pilot.resize_terminal(90, 40)
        assert (await drawn_at(30)).text.count("▀") > before
        for _ in range(5):
            shown.show(Image.new("RGB", (60, 40), (0, 0, 0)))
        shown.show(HALF_LIGHT)
        assert min(colours(await drawn_at(20))[5]) > 240
        shown.show(None)
        assert (await drawn_at(20)).text.strip() == ""


def test_each_kind_of_picture_keeps_its_tones_in_few_colours() -> None:
    """A grey one in 64 steps of 4 levels errs by 1 in the mean; a coloured one has grain."""
    ramp = np.tile(np.linspace(60, 160, 300), (200, 1))
    grain = np.random.default_rng(3).normal(0, 12, (200, 300, 3))
    even = np.tile(np.linspace(0, 255, 300), (200, 1))
    coloured = np.clip(np.dstack([ramp, 0.9 * ramp, 0.8 * ramp]) + grain, 0, 255)
    for picture, grey, most in ((np.dstack([even] * 3), True, 1.5), (coloured, False, 8.0)):
        whole = Image.fromarray(picture.astype(np.uint8))
        error, other = (
            np.abs(np.asarray(few_colours(whole, grey=way).convert("RGB")) - picture).mean()
            for way in (grey, not grey)
        )
        assert error < most
        assert error < other


def test_a_picture_of_colours_goes_to_the_terminal_in_its_own_and_a_grey_one_in_greys() -> None:
    ramp = Image.linear_gradient("L").resize((300, 200))
    warm = Image.merge("RGB", (ramp, ramp.point(lambda v: int(v * 0.8)), ramp))
    greys, colours = (
        len(set(re.findall(r"#\d+;2;[\d;]+", made.data)))
        for picture in (ramp.convert("RGB"), warm)
        if isinstance(made := drawn(picture, 30, 10, Terminal(Way.SIXEL)), Pixels)
    )
    assert greys > 40
    assert colours < 40, "an even division of all colours, of which most are not in it"


@pytest.mark.parametrize("asked", ["NO_COLOR", "greys"])
async def test_a_picture_is_drawn_where_no_colours_are_wanted(
    asked: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if asked == "NO_COLOR":
        monkeypatch.setenv("NO_COLOR", "1")
    app = Host()
    app.theme = "greys"
    async with app.run_test(size=(80, 24)) as pilot:
        shown = app.query_one(Drawn)
        # Wider than what is drawn already: for a moment there are blanks around the lines.
        await pilot.resize_terminal(120, 24)
        while not shown.finished or shown.size.height <= 10:
            await pilot.pause(0.02)
        # As it goes to the terminal, through the filters that take colours out.
        text = "".join(strip.text for strip in shown.render_lines(shown.size.region))
        assert ("█" if asked == "NO_COLOR" else "▀") in text


def test_the_library_asks_the_terminal_nothing() -> None:
    """It is loaded while the program reads the keyboard: a question would go wrong."""
    code = (
        "from tether.tui.terminal import probe as terminal, terminal_graphics as pictures\n"
        "t = terminal.Terminal(terminal.Way.SIXEL, 7, 15)\n"
        "kind = pictures.pixel_widget(t)\n"
        "from textual_image._terminal import get_cell_size\n"
        "print('loaded', kind.__name__, tuple(get_cell_size()))\n"
    )
    child = pexpect.spawn(sys.executable, ["-c", code], encoding="utf-8", timeout=30)
    child.expect("loaded TGPImage")
    assert "\x1b" not in child.before
    child.expect(pexpect.EOF)
    assert "(7, 15)" in child.before
