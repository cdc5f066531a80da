"""Hostile settings files: ``python -m tests.endurance.hostile_settings -n 200``.

Each trial takes the file of all settings and changes it: values into those of another kind or out
of range, names and sections, nesting, bytes. What counts as wrong: anything but values or a
sentence, a control character that is printed, and a file that was changed.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

from click.testing import CliRunner

from tests.endurance.results import add, options
from tether.cli.main import app
from tether.errors import TetherError
from tether.settings_file import render
from tether.text import is_control

_VALUES = (
    "1e999", "-1", "0", "9" * 400, "9" * 5000, "nan", "inf", "true", '""', '"\\u001b[31mx"', '"x"',
    "[" * 3000, "{ a = " * 2000, "[]", "2026-13-45", "2026-01-01", "0x" + "f" * 300, "'''", "{}",
    "1" * (1 << 20), '"' + "x" * 100_000 + '"', "[[1], [2]]", '"\\ud800"',
)  # fmt: skip
_LINES = (
    '["\\u001b[31mx"]', "[x]", "[keys]", "[camera]", "[camera.x]", "[[camera]]", "camera = 1",
    '"\\u001b]0;x\\u0007" = 1', "\x1b[31m = 1", "\0", "[" * 3000, "\ufeff",
    "[" + "a." * 3000 + "a]", "#\x07", "a.b.c = 1",
)  # fmt: skip


def changed(text: str, seed: int) -> bytes:
    """Return a settings file, changed by chance."""
    chance = random.Random(seed)
    lines = text.splitlines()
    given = [i for i, line in enumerate(lines) if "=" in line]
    for _ in range(chance.randint(1, 4)):
        at = chance.choice(given)
        match chance.randrange(4):
            case 0 | 1:
                name = lines[at].lstrip("# ").partition("=")[0]
                lines[at] = f"{name}= {chance.choice(_VALUES)}"
            case 2:
                lines.insert(chance.randrange(len(lines)), chance.choice(_LINES))
                given = [i for i, line in enumerate(lines) if "=" in line]
            case _:
                lines[at] = lines[at].lstrip("# ")
    data = bytearray("\n".join(lines).encode("utf-8", "surrogatepass"))
    if chance.random() < 0.3:
        for _ in range(chance.choice((1, 10))):
            data[chance.randrange(len(data))] = chance.randrange(256)
    return bytes(data)


def run(path: Path, data: bytes) -> list[str]:
    """Read a settings file; return what went wrong."""
    path.write_bytes(data)
    done = CliRunner().invoke(app, ["settings", "--settings", str(path)])
    wrong = []
    text = done.output
    if isinstance(done.exception, TetherError):
        text += str(done.exception)
    elif done.exception is not None and not isinstance(done.exception, SystemExit):
        wrong.append(repr(done.exception)[:300])
    if any(is_control(c) for c in text if c not in "\n\t"):
        wrong.append("prints a control character")
    if path.read_bytes() != data:
        wrong.append("the file was changed")
    return wrong


def main() -> int:
    asked = options(__doc__ or "", 200).parse_args()
    text = render()
    wrong = {}
    last = asked.seed + asked.trials - 1
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(asked.seed, last + 1):
            if found := run(Path(folder) / "settings.toml", changed(text, seed)):
                wrong[str(seed)] = found
                print(seed, found, flush=True)
    counts = {"settings files": asked.trials}
    return add(asked.out, "hostile settings", (asked.seed, last), counts, wrong)


if __name__ == "__main__":
    sys.exit(main())
