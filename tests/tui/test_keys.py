"""Keys, help and palette: each key is explained, on the screen and in the documents."""

from __future__ import annotations

import ast
import asyncio
import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.events import AppBlur
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static

import tether.tui
from tests.tui.piloting import Bare, screen_text
from tether.bench.steps import BY_KEY
from tether.findings.kind import ACTIONS
from tether.settings import KeySettings, Settings
from tether.tui.keys import (
    BUILT_IN,
    CHANGES_A_FRAME,
    TABLE,
    Keys,
    bindings,
    bindings_of,
    key_name,
)
from tether.tui.screens.bench_screen import BenchScreen
from tether.tui.screens.dialogs import AskText, Reading
from tether.tui.widgets.key_line import KeyLine, room_complaint

_BASES = {BenchScreen}
PAGE = Path(__file__).parents[2] / "docs" / "keys.md"


def screens() -> list[type[Screen[Any]]]:
    """Every screen of the program that is not there for others to be made from."""
    found = []
    for module in pkgutil.walk_packages(tether.tui.__path__, "tether.tui."):
        loaded = importlib.import_module(module.name)
        for kind in vars(loaded).values():
            own = inspect.isclass(kind) and kind.__module__ == loaded.__name__
            if own and issubclass(kind, Screen) and kind not in _BASES:
                found.append(kind)
    return found


@pytest.mark.parametrize("kind", screens(), ids=lambda k: k.__name__)
def test_every_screen_and_every_key_is_explained(kind: type[Screen[Any]]) -> None:
    assert kind.HELP
    heading = f"## {kind.TITLE or vars(kind)['HEADING']}\n"
    assert heading in PAGE.read_text(encoding="utf-8")
    for binding in bindings_of(kind):
        assert binding.id in BUILT_IN, binding.key
        assert binding.description, binding.key
        assert binding.tooltip, binding.key
    assert {"question_mark", "f1", "ctrl+p"} <= {b.key for b in bindings_of(kind)}


@pytest.mark.parametrize("kind", screens(), ids=lambda k: k.__name__)
def test_a_list_takes_no_key_that_its_screen_explains(kind: type[Screen[Any]]) -> None:
    """A list with the focus hides a key of its screen, which then neither works nor is offered."""
    if "OptionList(" not in inspect.getsource(kind):
        return
    taken = {b.key for b in Binding.make_bindings(OptionList.BINDINGS)}
    hidden = [b.key for b in bindings_of(kind) if b.key in taken and not b.priority]
    assert hidden == []


def test_keys_are_written_as_they_stand_on_the_keyboard() -> None:
    names = ["f", "question_mark", "ctrl+s", "escape", "pagedown", "f1", "shift+tab", "space", "[",
             "comma", "é", "ctrl+left_square_bracket"]  # fmt: skip
    assert [key_name(n) for n in names] == [
        "F", "?", "Ctrl-S", "Esc", "Page Down", "F1", "Shift-Tab", "Space", "[", ",", "É", "Ctrl-[",
    ]  # fmt: skip


def test_the_least_size_is_enough_and_one_less_is_not() -> None:
    from textual.geometry import Size

    assert room_complaint(Size(80, 24), Keys()) is None
    assert "79 columns" in str(room_complaint(Size(79, 24), Keys()))
    assert "23 rows" in str(room_complaint(Size(80, 23), Keys()))


class Plain(Screen[None]):
    """A screen with a field, and with more keys than a line holds."""

    TITLE = "Plain"
    HELP = "For the tests."
    AUTO_FOCUS = ""
    without = "second"
    BINDINGS = [  # noqa: RUF012 - as Textual declares it
        Binding("a", "first", "First", tooltip="the first", id="reshoot"),
        Binding("b", "second", "Second", tooltip="the second", id="blank"),
        *(Binding(k, f"long('{k}')", "A long name", tooltip="long") for k in "cdefghij"),
    ]

    def compose(self) -> ComposeResult:
        yield Input(id="field")
        yield Static("", id="said")
        yield KeyLine()

    def action_first(self) -> None:
        self.query_one("#said", Static).update("pressed the first")

    def check_action(self, action: str, _parameters: tuple[object, ...]) -> bool | None:
        return action != self.without


class Host(Bare):
    """The program's manners with a plain screen."""

    async def on_mount(self) -> None:
        await self.push_screen(Plain())


def line(app: Bare) -> str:
    return str(app.screen.query_one(KeyLine).render())


async def test_the_line_shows_what_fits_and_a_click_presses_the_key() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "a first" in line(app)
        assert "second" not in line(app), "its action does not fit now"
        assert "\n" not in line(app), "one row"
        assert "j a long name" not in line(app), "no room; the help has it"
        assert line(app).endswith("? help "), "which always has room"
        await pilot.click(KeyLine, offset=(4, 0))
        await pilot.pause()
        assert "pressed the first" in screen_text(app)


async def test_a_letter_with_shift_or_caps_lock_is_the_key_and_in_a_field_a_capital() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("A")
        await pilot.pause()
        assert "pressed the first" in screen_text(app)
        app.screen.query_one("#field").focus()
        await pilot.press("A")
        assert app.screen.query_one("#field", Input).value == "A"


async def test_the_line_is_right_while_another_window_has_the_keyboard() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.post_message(AppBlur())
        await pilot.pause()
        screen = app.screen
        assert isinstance(screen, Plain)
        screen.without = "first"
        screen.refresh_bindings()
        await pilot.pause()
        assert "b second" in line(app)
        assert "first" not in line(app)


async def test_the_line_is_right_after_a_screen_that_closed_as_the_keys_changed() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        below = app.screen
        assert isinstance(below, Plain)
        for turns in range(6):
            over = Reading("Over it", Text("words\n" * 100))
            await app.push_screen(over)
            await pilot.pause()
            below.without = "first" if turns % 2 else "second"
            over.refresh()
            below.refresh_bindings()
            for _ in range(turns):
                await asyncio.sleep(0)
            await app.pop_screen()
            await pilot.pause()
            assert ("a first" in line(app)) is (below.without == "second"), turns


async def test_help_says_the_screens_purpose_and_all_its_keys_also_from_a_field() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.screen.query_one("#field").focus()
        await pilot.press("question_mark")
        assert app.screen.query_one("#field", Input).value == "?", "a letter, in a field"
        assert "F1 help" in line(app)
        await pilot.press("f1")
        await pilot.pause()
        assert isinstance(app.screen, Reading)
        text = screen_text(app)
        assert "For the tests." in text
        assert "A  the first" in text
        assert "the second (not now)" in text
        await pilot.press("escape")
        assert isinstance(app.screen, Plain)


async def test_the_palette_has_every_key_that_fits_and_presses_it() -> None:
    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("ctrl+p")
        await pilot.press(*"first")
        while isinstance(app.screen, Plain) is False:
            await pilot.press("enter")
            await pilot.pause(0.02)
        await pilot.pause()
        assert "pressed the first" in screen_text(app)


async def test_a_small_terminal_is_told_and_takes_no_key_unseen() -> None:
    app = Host(Settings())
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.pause()
        assert "60 columns and 20 rows" in line(app)
        await pilot.press("a")
        await pilot.pause()
        assert "pressed the first" not in screen_text(app)
        await pilot.press("enter")
        await pilot.press("a")
        await pilot.pause()
        assert "pressed the first" in screen_text(app)
        await pilot.resize_terminal(50, 12)
        await pilot.pause()
        assert "50 columns and 12 rows" in line(app)
        await pilot.resize_terminal(200, 60)
        await pilot.pause()
        assert "a first" in line(app)


async def test_what_was_shown_and_is_no_more_is_forgotten() -> None:
    """Textual's own footer keeps each key that it ever showed; a day at the bench is long."""
    import gc

    app = Host(Settings())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()

        async def widgets() -> int:
            for _ in range(4):
                await pilot.press("question_mark", "escape")
                app.screen.refresh_bindings()
                await pilot.pause()
            gc.collect()
            return sum(isinstance(o, Static) for o in gc.get_objects())

        assert await widgets() == await widgets()


def test_a_screen_over_another_has_the_keys_of_every_screen() -> None:
    assert {b.action for b in bindings_of(AskText)} >= {"app.help", "app.command_palette"}


async def test_the_key_of_a_foot_switch_is_taken_from_the_settings() -> None:
    app = Host(Settings(keys=KeySettings((("forward", "f8"),))))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        pressed: list[str] = []
        app.simulate_key = pressed.append  # type: ignore[method-assign, assignment]
        await pilot.press("f8")
        await pilot.pause()
        assert pressed == ["enter"]


async def test_a_key_of_ones_own_does_it_and_is_the_one_that_is_shown() -> None:
    app = Host(Settings(keys=KeySettings((("reshoot", "f8, j"), ("blank", "a")))))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "F8 first" in line(app)
        app.screen.query_one("#said", Static).update("")
        await pilot.press("j")
        await pilot.pause()
        assert "pressed the first" in screen_text(app)
        await pilot.press("f1")
        await pilot.pause()
        text = screen_text(app)
        assert "F8, J  the first" in text
        assert "A  the second (not now)" in text


_NAMED = re.compile(
    r"(?<!\w)\[(?:[A-Z0-9?]|[A-Z][a-z]+(?: [A-Z][a-z]+)?|Ctrl-[A-Z])\]"
    r"|\b(?:Enter|Esc|Escape|Backspace|Page Down|Page Up|Ctrl-[ABD-Z]|F[1-9])\b"
    r"|\b[Kk]ey [A-Z0-9]\b|\b[Pp]ress [A-Z0-9]\b"
    r"|(?:^|[ ;,:(])[B-HJ-Z0-9] (?:asks|closes|connects|goes|keeps|leaves|looks|makes|measures"
    r"|opens|puts|reads|sets|shoots|shows|skips|starts|takes|tries)\b"
)
"""A key in a sentence, in the ways that sentences have one here. Ctrl-C is the terminal's own."""

_OF_A_FIELD = ("dialogs.py", "roll_screens.py", "bench_form.py")
"""Where Enter is the key of a list or a text field, which nobody binds."""


def _said(tree: ast.Module) -> Iterator[str]:
    """Yield the texts of a module, without its docstrings."""
    documents = {
        id(node.value) for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }  # fmt: skip
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and id(node) not in documents:
            yield str(node.value)


def test_no_text_names_a_key_by_itself() -> None:
    """Every key that a text names comes from the table, by its id."""
    seen = 0
    for path in sorted(Path(tether.__file__).parent.rglob("*.py")):
        if path.name == "keys.py" or path.parent.name in ("cli", "web"):
            continue
        for text in _said(ast.parse(path.read_text(encoding="utf-8"))):
            seen += 1
            found = _NAMED.search(text)
            if found is not None and not ("Enter" in found[0] and path.name in _OF_A_FIELD):
                pytest.fail(f"{path.name}: {found[0]!r} in {text!r}")
    assert seen > 1000
    for text in ("[F] shoot", "R tries again", "then Esc.", "(key 3)", "Press C to", "[Page Up]"):
        assert _NAMED.search(text), text


def test_every_id_that_a_text_names_is_in_the_table() -> None:
    named = set()
    for path in sorted(Path(tether.__file__).parent.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        named |= set(re.findall(r"""keys\[['"]([a-z0-9-]+)['"]\]""", source))
    for kind in screens():
        named |= set(re.findall(r"\{([a-z0-9-]+)\}", str(kind.HELP)))
    for step in BY_KEY.values():
        named |= set(re.findall(r"\{([a-z0-9-]+)\}", step.more))
    for path in Path(tether.tui.__file__).parent.rglob("*.py"):
        if path.name != "keys.py":
            for text in _said(ast.parse(path.read_text(encoding="utf-8"))):
                named |= set(re.findall(r"\{([a-z0-9-]+)\}", text))
    assert len(named) > 20
    assert named <= set(BUILT_IN)
    assert set(ACTIONS) <= set(BUILT_IN), "what helps against a finding has a key"


def test_the_built_in_keys_do_one_thing_on_each_screen_and_an_id_has_one_key() -> None:
    assert Keys().complaints == []
    for screen in TABLE:
        rows = [row for row in bindings(screen) if isinstance(row, Binding)]
        assert [(row.id, row.key) for row in rows if row.key != BUILT_IN[str(row.id)]] == []
        keys = [key for row in rows for key in row.key.split(",")]
        assert len(keys) == len(set(keys)), screen


def test_a_key_that_changes_a_frame_does_nothing_harmless_on_another_screen() -> None:
    """Whoever is used to a key on one screen presses it on the next without looking."""
    changing = {BUILT_IN[name] for name in CHANGES_A_FRAME}
    for screen, rows in TABLE.items():
        for row in rows:
            shared = changing & set(row.key.split(","))
            assert not shared or row.id in CHANGES_A_FRAME, (screen, row.id)


@pytest.mark.parametrize(
    ("own", "said", "kept"),
    [
        ([("keep", "j"), ("kep", "x")], "kep: there is no such action", {"keep": "j"}),
        ([("keep", "j"), ("skip", "pgdown")], "no key 'pgdown'", {"keep": "j"}),
        (
            [("keep", "j"), ("skip", "j")],
            "skip: J is the key of 'keep' (screen 'main screen'). It stays S.",
            {"keep": "j"},
        ),
        ([("keep", "j"), ("skip", "f")], "'shoot' (screen 'main screen')", {"keep": "j"}),
        ([("keep", "j"), ("undo", "?")], "the key of 'help'", {"keep": "j"}),
        ([("keep", "j"), ("blank", "ctrl+c")], "the key of 'quit'", {"keep": "j"}),
        ([("keep", "j"), ("save", "s")], "written as text", {"keep": "j"}),
        ([("keep", "d"), ("damaged", "k"), ("kep", "")], "", {"keep": "d", "damaged": "k"}),
        ([("forward", "pagedown")], "", {"forward": "f24,pagedown"}),
        # What one that cannot be would have freed, another cannot have either.
        ([("keep", "s"), ("skip", "f")], "It stays K.", {}),
    ],
)
def test_a_key_that_cannot_be_is_named_and_all_others_are_taken(
    own: list[tuple[str, str]], said: str, kept: dict[str, str]
) -> None:
    keys = Keys(own)
    assert keys.own == kept
    assert said in " ".join(keys.complaints)
    assert bool(said) is bool(keys.complaints)


async def test_a_key_that_cannot_be_is_said_at_the_start() -> None:
    app = Host(Settings(keys=KeySettings((("kep", "j"),))))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert [n.message for n in app._notifications] == ["kep: there is no such action."]
