"""Write the reference pages of keys, commands, settings and findings, from the program itself.

Run from the project's folder: ``PYTHONPATH=. python docs/make_reference.py``. The tests
(``tests/cli/test_documents.py``) say when a page no longer fits the program.
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
import inspect
import pkgutil
import re
import textwrap
from dataclasses import fields
from pathlib import Path
from typing import Any

import click
import tether_simulator
from textual.binding import Binding
from textual.screen import Screen

import tether
from tether import tui
from tether.cli.main import app
from tether.cli.options import Int
from tether.findings import FindingKind, Severity, Verdict
from tether.findings.finding import SUBJECTS
from tether.findings.kind import ACTIONS
from tether.settings import Settings
from tether.tui.keys import EVERYWHERE, Keys, bindings_of

HERE = Path(__file__).parent

_FIRST = (
    "Worktable", "SetUpScreen", "BenchForm", "CheckScreen", "FocusScreen", "LightScreen",
    "BaseScreen", "PauseScreen", "FoundScreen", "ChooseRoll", "DescribeRoll",
)  # fmt: skip
"""Screens in the order in which their keys are looked up."""

MAP_BEGINS = "<!-- The map is written by docs/make_reference.py. -->"
MAP_ENDS = "<!-- The end of the map. -->"

_ABOUT_KEYS = (
    "`?` on a screen shows the same list, with the keys that do nothing now dim. In a text field, "
    "where `?` is a letter, press F1. Ctrl-P finds a command by its words, and has the themes. "
    "Ctrl-C leaves the program. You can click the keys at the foot of a screen, frames, buttons "
    "and lists. Tab and Shift-Tab move between fields."
)
_YOUR_KEYS = """\
To use another key, write it under the id of its action in your
[settings file](reference-settings.md). It holds on every screen that has the action, and all texts
of the program name it:

```toml
[keys]
shoot = "f8"
keep = "j"
next = "enter, pagedown"
```

A key is a letter, a figure or another character, or one of `enter`, `space`, `backspace`, `escape`,
`tab`, `up`, `down`, `left`, `right`, `home`, `end`, `pageup`, `pagedown`, `insert`, `delete`,
`f1` to `f24`, also with `ctrl+`, `alt+` or `shift+`. If an id does not exist, or a screen has the
key for something else, the program says so at its start, keeps the built-in key, and takes the
rest.

In a list and in a text field, Enter and the arrow keys are the list's and the field's own. A foot
switch sends F24, or the key of the id `forward`:
[what comes next](how-to-long-hours.md#use-a-foot-switch)."""

EXAMPLES = {
    "shoot": """\
tether shoot                                   # asks which roll
tether shoot "Harbour 1987"                    # start or resume this roll
tether shoot "Harbour 1987" --film colour-negative --frames 24 --frames-per-strip 4
tether shoot "Harbour 1987" --camera ptpip:192.168.1.20 --copy /media/second-disk/film""",
    "rehearse": """\
tether rehearse
tether rehearse "Rehearsal 2"                  # resume this one
tether rehearse --film transparency --fresh
tether rehearse --unattended --frames 12 --archive /tmp/rehearsal""",
    "rolls": """\
tether rolls
tether rolls --json""",
    "find": """\
tether find harbour boats
tether find 港 --json
tether find --csv > list.csv                   # every roll; tether import reads it again""",
    "edit": """\
tether edit "Harbour 1987"                     # shows the facts
tether edit "Harbour 1987" photographer="A. Field" date=1987-06~ people="Ann; Bo"
tether edit "Harbour 1987" --frame 7 caption="The quay at dawn"
tether edit "Harbour 1987" name="Harbour, June" film=transparency
tether edit "Harbour, June" --undo""",
    "import": """\
tether import list.csv                         # shows what it would change, and asks
tether import list.csv --column Signature=identifiers --yes
tether import --undo""",
    "adopt": """\
tether adopt "Harbour 1987" /media/card/*.dng  # shows which file is which frame, and asks
tether adopt "Harbour 1987" card/*.dng --first 13 --keep --yes""",
    "day": """\
tether day
tether day --date 2027-05-31 --json""",
    "labels": """\
tether labels --to labels.pdf                  # of the rolls that wait
tether labels "Harbour 1987" --to labels.pdf
tether labels --read photograph.jpg""",
    "restore": """\
tether restore "Harbour 1987"                  # what is missing or damaged, on either side
tether restore "Harbour 1987" Harbour\\ 1987_f007_t1.dng""",
    "verify": """\
tether verify "Harbour 1987"
tether verify                                  # the whole archive; resumes after Ctrl-C""",
    "package": 'tether package "Harbour 1987" /media/stick/harbour-1987',
    "rebuild": "tether rebuild --archive /media/disk/film-archive",
    "plan": "tether plan --pixels 8192x5464 --focal 100 --closest 1:2 --rolls 2500",
    "measure": """\
tether measure a.dng b.dng --film bw-negative
tether measure a.dng --film colour-negative --open-gate gate.dng --json""",
    "light": "tether light gate.dng --lamp-off dark.dng",
    "tablet": "tether tablet tablet.dng --open-gate gate.dng --lamp-off off.dng",
    "hand-over": 'tether hand-over "Harbour 1987" for-client',
    "deliver": """\
tether deliver "Harbour 1987"
tether deliver "Harbour 1987" --half --no-tiff --turn 7=90 --to /media/stick/harbour""",
    "view": 'tether view "Harbour 1987"',
    "proof": """\
tether proof "Harbour 1987" sleeves1.jpg sleeves2.jpg --film bw-negative
tether proof "Harbour 1987" --circle 3,7-9 --word "for Ann" --sheet proof.pdf""",
    "web": """\
tether web rehearse
tether web shoot "Harbour 1987" --archive ~/film""",
    "settings": """\
tether settings
tether settings --write settings.toml""",
    "doctor": """\
tether doctor
tether doctor --report report.zip""",
}

COMMANDS_HEAD = """\
# Commands

Every command and every option. The program writes this page (`docs/make_reference.py`), and
`tether COMMAND --help` shows the same in the terminal.

`tether --help` lists the commands, `tether --version` prints the version. Each command ends with an
[exit code](reference-exit-codes.md). With `--json` a command prints [JSON for scripts](json.md).

Several commands have these two options:

- **`--archive`** names the archive folder. Without it the program uses the environment variable
  `TETHER_ARCHIVE`, and without that the folder `film-archive` among your pictures. A rehearsal has
  its own archive in your user data folder, or in a folder that you name. Rehearsals and real film
  never share an archive.
- **`--settings`** names a [settings file](reference-settings.md).
"""

SETTINGS_HEAD = """\
# Settings

Every target, tolerance and limit of the program, with its built-in value. The program writes this
page (`docs/make_reference.py`), and `tether settings` prints the values in force.

To change a value:

1. Make a file with `tether settings --write FILE`.
2. Change the line. Delete the lines that you don't change: they keep their built-in values.
3. Name the file with `--settings`, or save it as `settings.toml` in your user folder:

| system | folder |
|---|---|
| Linux | `~/.config/tether/` (or under `$XDG_CONFIG_HOME`) |
| macOS | `~/Library/Application Support/tether/` |

A file with an unknown name or a value out of range is refused as a whole. The message says which
line. A file may be as short as this:

```toml
[exposure]
base_target_ev = -0.7
```

"Common practice" in the last column means: usual among people who do this work, with no published
source. "Measured" or "tuned on the simulated bench" means that the value was found on
[simulated film](bench.md). Your film and camera may need another. EV and stops are the same: one is
a factor of two in light.
"""

FINDINGS_HEAD = """\
# Findings

Everything that a verdict, the light test, `tether measure` and `tether light` can report about a
picture. [My verdict says ...](my-verdict-says.md) tells you what to do with the film in your hand.

The program writes this page (`docs/make_reference.py`). The code is stable: it is in
[JSON](json.md) and in the archive, so scripts can rely on it. In the words, N is a figure and … a
word that fits the picture.

- **Asks for**: *note* (-, `note`), *look* (!, `look`) or *shoot again* (✗, `reshoot`). The most
  serious finding of a picture is its verdict. Notes ask for nothing. Where a finding has several,
  the [settings](reference-settings.md) say from where on which applies.
- **How sure**: *counted* is no estimate; *measured* was checked in the tests against a known truth;
  *estimated* depends on an assumption. The pages on [frames](measurements.md), [focus and
  dust](measurements-focus.md), [light](measurements-light.md) and
  [framing](measurements-framing.md) explain how each is found.
  [Evidence](evidence/detectors.md) has how often it is right.
- **Step**: the step of the checklist that comes up again before the next take of the frame.
- **Helps**: the screen that puts it right.

A picture that could not be judged has the verdict *not judged* and the finding `not-judged`.
"""


def pages() -> dict[str, str]:
    """Return the text of each page that is written from the program, by the page's name."""
    return {
        "keys.md": keys_page(),
        "reference-commands.md": commands_page(),
        "reference-settings.md": settings_page(),
        "reference-findings.md": findings_page(),
        "../DEVELOPERS.md": with_map((HERE.parent / "DEVELOPERS.md").read_text("utf-8")),
    }


def main() -> None:
    """Write the pages."""
    for name, text in pages().items():
        (HERE / name).write_text(text, encoding="utf-8")


def screens() -> list[type[Screen[Any]]]:
    """Return every screen of the program that a person sees, those named in `_FIRST` first."""
    found = []
    for module in pkgutil.walk_packages(tui.__path__, f"{tui.__name__}."):
        loaded = importlib.import_module(module.name)
        for kind in vars(loaded).values():
            own = inspect.isclass(kind) and kind.__module__ == loaded.__name__
            if own and issubclass(kind, Screen) and kind.HELP:
                found.append(kind)
    names = [*_FIRST, *sorted(kind.__name__ for kind in found)]
    return sorted(found, key=lambda kind: names.index(kind.__name__))


def keys_page() -> str:
    """Return the page of keys, a section a screen, as the help on the screens says it too."""
    page = ["# Keys", "", *_wrapped(_ABOUT_KEYS), "", _YOUR_KEYS, ""]
    everywhere = {binding.action for binding in Binding.make_bindings(EVERYWHERE)}
    for kind in screens():
        page += [
            f"## {kind.TITLE or vars(kind)['HEADING']}",
            "",
            *_wrapped(Keys().put_into(str(kind.HELP))),
            "",
        ]
        page += ["| key | does | id |", "|---|---|---|"]
        ids: dict[str, list[str]] = {}
        for row in bindings_of(kind):
            named = ids.setdefault(row.action, [])
            named += [f"`{row.id}`"] if f"`{row.id}`" not in named else []
        for action, (keys, what) in Keys().rows(kind).items():
            if action not in everywhere:  # told once, above
                page.append(f"| {', '.join(keys)} | {_cell(what)} | {', '.join(ids[action])} |")
        page.append("")
    return "\n".join(page)


def with_map(page: str) -> str:
    """Return the page for developers with the map of the modules that there are."""
    before, _, rest = page.partition(MAP_BEGINS)
    _, _, after = rest.partition(MAP_ENDS)
    lines = []
    for package in (tether, tether_simulator):
        modules = pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
        folders: dict[str, list[str]] = {package.__name__: []}
        for module in modules:
            path = module.name.replace(".", "/")
            if module.ispkg:
                folders[path] = []
            else:
                folder, _, name = path.rpartition("/")
                folders[folder].append(f"- `{name}` {_first_sentence(module.name)}")
        for folder, found in folders.items():
            about = _first_sentence(folder.replace("/", "."))
            lines += [f"### {folder}", "", about, "", *found, ""]
    return "\n".join([before + MAP_BEGINS, "", *lines, MAP_ENDS + after.rstrip(), ""])


def _first_sentence(module: str) -> str:
    spec = importlib.util.find_spec(module)
    assert spec is not None
    assert spec.origin is not None
    said = ast.get_docstring(ast.parse(Path(spec.origin).read_text("utf-8")))
    assert said, f"{module} says nothing of itself"
    paragraph = " ".join(said.partition("\n\n")[0].split())
    return re.split(r"(?<=[.?!]) (?=[A-Z])", paragraph)[0]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 100, break_long_words=False, break_on_hyphens=False)


def commands_page() -> str:
    """Return the page of the commands."""
    return COMMANDS_HEAD + "".join(_command(command) for command in app.commands.values())


def settings_page() -> str:
    """Return the page of the settings."""
    return SETTINGS_HEAD + "".join(_section(item) for item in fields(Settings))


def findings_page() -> str:
    """Return the page of the findings, a section a subject."""
    grades = ", ".join(f"*{s.word}* ({s.mark}, `{s.value}`)" for s in Severity)
    parts = [FINDINGS_HEAD.format(grades=grades, unjudged=Verdict.UNJUDGED.word)]
    for subject, kinds in SUBJECTS.items():
        parts.append(f"\n## {subject}\n")
        parts += [_finding(code, kind) for code, kind in kinds.items()]
    return "".join(parts)


def _finding(code: str, kind: FindingKind) -> str:
    asks = " or ".join(f"*{Severity(value).word}*" for value in kind.severities)
    said = f"\n### {code}\n\nAsks for: {asks}. How sure: *{kind.sure}*."
    if kind.steps:
        said += f" Step: {', '.join(f'`{step}`' for step in kind.steps)}."
    if kind.helps:
        said += f" Helps: {ACTIONS[kind.helps]}."
    said += "\n\n| What is said | What to do | Unit of the value |\n|---|---|---|\n"
    for words in (kind.says(), *kind.cases.values()):
        action, unit = _in_general(words.action) or "—", words.unit or "no value"
        said += f"| {_in_general(words.text)} | {action} | {unit} |\n"
    return said


def _in_general(template: str) -> str:
    """Return a sentence with N for its figures and … for its words."""
    template = template.replace("{advice}", "(How much more or less light, and how to set it.)")
    return _cell(re.sub(r"\{\w+\}", "…", re.sub(r"\{\w+:[^}]*\}", "N", template)))


def _command(command: click.Command) -> str:
    assert command.name is not None
    words: list[str] = []
    rows: list[str] = []
    for parameter in command.params:
        if isinstance(parameter, click.Argument):
            word = str(parameter.name).upper() + ("…" if parameter.nargs == -1 else "")
            words.append(word if parameter.required else f"[{word}]")
            rows.append(_row(f"`{word}`", parameter))
        elif isinstance(parameter, click.Option):
            names = [*parameter.opts, *parameter.secondary_opts]
            rows.append(_row(" ".join(f"`{name}`" for name in names), parameter))
    parts = [
        f"\n## tether {' '.join([command.name, *words])}\n\n{command.help}\n\n",
        "| argument or option | value | if left out | meaning |\n|---|---|---|---|\n",
        *rows,
        f"\n```sh\n{EXAMPLES[command.name]}\n```\n",
    ]
    return "".join(parts)


def _row(names: str, parameter: click.Argument | click.Option) -> str:
    facts = parameter.to_info_dict()
    text, default = str(facts["help"] or ""), facts["default"]
    said = re.search(r" ?\[default: (.*?)\]", text)
    if said:
        text, without = text.replace(said[0], ""), said[1]
    elif parameter.required:
        without = "required"
    elif facts.get("is_flag"):
        without = "on" if default else "off"
    elif default in (None, ""):
        without = "—"
    else:
        without = f"`{default}`"
    if parameter.envvar:
        without = f"`${parameter.envvar}`, else {without}"
    return f"| {names} | {_value(parameter)} | {without} | {_cell(text)} |\n"


def _value(parameter: click.Argument | click.Option) -> str:
    if parameter.metavar:
        return parameter.metavar
    kind = parameter.type
    if isinstance(kind, click.Choice):
        return ", ".join(f"`{choice}`" for choice in kind.choices)
    if isinstance(parameter, click.Option) and parameter.is_flag:
        return "—"
    word = kind.name
    if isinstance(kind, Int) and kind.low is not None:
        word += f", {kind.bounds()}"
    if parameter.nargs == -1:
        return f"{word}, one or more"
    return f"{word}, may be repeated" if parameter.multiple else word


def _section(item: Any) -> str:
    values = item.default_factory()
    parts = [
        f"\n## [{item.name}]\n\n{type(values).__doc__}\n\n",
        "| key | built in | unit or meaning | range | source |\n|---|---|---|---|---|\n",
    ]
    for key in fields(values):
        meta = key.metadata
        if item.name == "keys":
            parts.append(f"| *id* | — | {meta['what']} | text | a choice of yours |\n")
            continue
        value = getattr(values, key.name)
        if "unit" in meta:
            shown, what = f"{value:.4g}" if abs(value) < 1e4 else f"{value:,.0f}", meta["unit"]
            span, source = f"{meta['low']:g} to {meta['high']:g}", meta["source"]
        elif "form" in meta:
            shown, what, span, source = f'"{value}"', meta["what"], "text", "a choice of yours"
        else:
            shown, what = str(value).lower(), meta["what"]
            span, source = "true or false", "a choice of yours"
        parts.append(f"| `{key.name}` | {shown} | {_cell(what)} | {span} | {_cell(source)} |\n")
    return "".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


if __name__ == "__main__":
    main()
