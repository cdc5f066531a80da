"""Hostile databases and side files: ``python -m tests.endurance.hostile_archives -n 2000``.

Each trial takes a sound archive and changes one to three things in it: a value in a row, bytes of
the database's file, its schema, a value in a file beside the raw files, or a whole file into a
link, a pipe or a device. Then the commands and a session read it, `rebuild` cures it, and they read
it again.

What counts as wrong: anything but a sentence for a person, a control character that is printed, a
byte that changes outside the archive or in a raw file, twenty seconds without an end, and, after
`rebuild`, a command that fails or a raw file that is not recorded. The results go into a file with
their seeds; exit code 1 when anything is wrong.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from tests.archive.bench_rig import ContentJudge
from tests.archive.conftest import SMALL, Desk
from tests.endurance.results import add, options
from tether.archive.archive import Archive
from tether.archive.layout import DATABASE
from tether.cli.main import app
from tether.errors import TetherError
from tether.reports.rolls import leaving_text
from tether.session.session import Session
from tether.text import is_control

SECONDS = 20
"""After so long a trial counts as one without an end."""

ROLLS = ("Harbour", "Winter")

VALUES: tuple[object, ...] = (
    "", "x", "kepv", "\x1b]0;owned\x07\x1b[31m", "../../outside", "/etc/passwd", "a/b", "..",
    "\x00", "null", "[]", "{}", "[[", '{"a":' * 2000, "NaN", "2026-13-45T99:99", "2026-01-01",
    0, -1, 1, 500, 501, 1_000_000, 1 << 40, (1 << 63) - 1, -(1 << 63), 0.5, None, b"\xff\xfe", b"",
)  # fmt: skip

_TABLES = (
    "roll", "frame", "capture", "companion", "sitting", "step", "intent", "card_file", "log",
    "roll_count", "roll_total", "archive_fact", "copy_behind", "left_alone", "trial",
)  # fmt: skip


class Endless(BaseException):
    """A trial does not come to an end."""


class Trial:
    """One archive, changed by chance."""

    def __init__(self, base: Path, sound: Path, seed: int) -> None:
        self.chance = random.Random(seed)
        self.root = base / "archive"
        self.outside = base / "outside"
        shutil.rmtree(base, ignore_errors=True)
        shutil.copytree(sound, self.root)
        self.outside.mkdir()
        (self.outside / "letter.txt").write_text("somebody's own")
        self.raw = {p: _digest(p) for p in self.root.glob("*/*.dng")}
        self.done: list[str] = []
        self.wrong: list[str] = []

    def change(self) -> None:
        """Change one to three things."""
        acts: tuple[Callable[[], str], ...] = (
            self._value, self._value, self._value, self._bytes, self._schema,
            self._fact, self._fact, self._kind_of_file,
        )  # fmt: skip
        for _ in range(self.chance.randint(1, 3)):
            with contextlib.suppress(sqlite3.Error, OSError, IndexError, ValueError):
                self.done.append(self.chance.choice(acts)())

    def _value(self) -> str:
        with contextlib.closing(sqlite3.connect(self.root / DATABASE)) as db, db:
            db.execute("PRAGMA ignore_check_constraints = ON")
            table = self.chance.choice(_TABLES)
            columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            column, value = self.chance.choice(columns), self.chance.choice(VALUES)
            if isinstance(value, bytes) and self.chance.random() < 0.7:
                db.execute(f"UPDATE {table} SET {column} = CAST(? AS TEXT)", (value,))
            else:
                db.execute(f"UPDATE {table} SET {column} = ?", (value,))
        return f"{table}.{column} = {value!r:.40}"

    def _bytes(self) -> str:
        path = self.root / DATABASE
        if not path.is_file():
            return "nothing"  # it is a pipe by now
        data = bytearray(path.read_bytes())
        if self.chance.random() < 0.2:
            del data[self.chance.randrange(len(data)) :]
        for _ in range(self.chance.choice((1, 3, 30))):
            if data:
                # Half of them in the first pages, where the schema is.
                end = len(data) if self.chance.random() < 0.5 else min(len(data), 8192)
                data[self.chance.randrange(end)] = self.chance.randrange(256)
        path.write_bytes(data)
        return "bytes of the database"

    def _schema(self) -> str:
        with contextlib.closing(sqlite3.connect(self.root / DATABASE)) as db, db:
            rows = list(db.execute("SELECT type, name FROM sqlite_master WHERE sql IS NOT NULL"))
            kind, name = self.chance.choice(rows)
            how = self.chance.randrange(3)
            if how == 0:
                db.execute(f"DROP {kind} {name}")
            elif how == 1:
                db.execute("PRAGMA writable_schema = ON")
                db.execute(
                    "UPDATE sqlite_master SET name = ?, sql = replace(sql, name, ?) WHERE name = ?",
                    ("\x1b[31mx", "\x1b[31mx", name),
                )
            else:
                db.execute("PRAGMA writable_schema = ON")
                db.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", ("\x1b[31m", name))
        return f"schema: {kind} {name}, {how}"

    def _fact(self) -> str:
        files = sorted(self.root.glob("*.json")) + sorted(self.root.glob("*/**/*.json*"))
        path = self.chance.choice([p for p in files if p.is_file() and not p.is_symlink()])
        if self.chance.random() < 0.2:
            path.write_bytes(self.chance.randbytes(200))
            return f"{path.name}: noise"
        with contextlib.suppress(ValueError):
            facts = json.loads(path.read_text(encoding="utf-8").splitlines()[0] + "\n")
            path.write_text(json.dumps(self._worse(facts)) + "\n")
            return f"{path.name}: a line"
        facts = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(json.dumps(self._worse(facts)))
        return f"{path.name}: a value"

    def _worse(self, facts: Any) -> Any:
        """Put a hostile value somewhere into what was read from JSON."""
        values = [v for v in VALUES if not isinstance(v, bytes)]
        if isinstance(facts, dict) and facts and self.chance.random() < 0.9:
            key = self.chance.choice(sorted(facts))
            return facts | {key: self._worse(facts[key])}
        if isinstance(facts, list) and facts and self.chance.random() < 0.9:
            at = self.chance.randrange(len(facts))
            return [*facts[:at], self._worse(facts[at]), *facts[at + 1 :]]
        return self.chance.choice([*values, {"a": 1}, [1], 1e400])

    def _kind_of_file(self) -> str:
        """Put a link, a pipe or a device in a file's or folder's place."""
        paths = [p for p in sorted(self.root.rglob("*")) if p.suffix != ".dng"]
        paths = [p for p in paths if p.is_dir() or p.is_file()]
        path = self.chance.choice(paths)
        kept = path.with_name(f"{path.name}.was")
        if any(p.suffix == ".dng" for p in path.glob("*")):
            return "nothing"  # the raw files have to stay where they are
        path.rename(kept)
        how = self.chance.choice(("outside", "letter", "zero", "pipe", "folder"))
        if how == "outside":
            path.symlink_to(self.outside)
        elif how == "letter":
            path.symlink_to(self.outside / "letter.txt")
        elif how == "zero":
            path.symlink_to("/dev/zero")
        elif how == "pipe":
            os.mkfifo(path)
        else:
            path.mkdir()
        return f"{path.relative_to(self.root)}: {how}"

    def look(self, *, cured: bool = False) -> None:
        """Let the commands and a session read the archive."""
        for words in (
            ["rolls"],
            ["rolls", "--json"],
            ["verify"],
            *([["verify", r] for r in ROLLS]),
        ):
            code = self._run(words)
            if cured and code != 0:
                self.wrong.append(f"after the cure: {' '.join(words)} ends with {code}")
        for name in ROLLS:
            with self._words(f"session {name}"), contextlib.closing(Archive(self.root)) as archive:
                roll = archive.store.rolls.named(name)
                session = Session(archive, roll, None, ContentJudge(), SMALL)
                try:
                    session.next_step()
                    session.frames()
                finally:
                    session.close()
                for line in leaving_text(archive, name).splitlines():
                    self._check_text(line, f"session {name}")

    def cure(self) -> None:
        """Rebuild, as a person does who also puts files and folders back in their places."""
        self._run(["rebuild"])
        for was in sorted(self.root.rglob("*.was"), reverse=True):
            place = was.with_name(was.name.removesuffix(".was"))
            if place.is_symlink() or not place.is_dir():
                place.unlink(missing_ok=True)
            elif place.exists():
                shutil.rmtree(place)
            was.rename(place)
        self._run(["rebuild"])

    def check(self) -> None:
        """Look for what was written where it should not be, and for raw files that are unknown."""
        if [p.name for p in self.outside.iterdir()] != ["letter.txt"]:
            self.wrong.append("a file was made outside the archive")
        if (self.outside / "letter.txt").read_text() != "somebody's own":
            self.wrong.append("a file outside the archive was changed")
        for path, sha256 in self.raw.items():
            if not path.is_file() or _digest(path) != sha256:
                self.wrong.append(f"{path.name} was changed")

    def _run(self, words: list[str]) -> int:
        done = CliRunner().invoke(app, [*words, "--archive", str(self.root)])
        self._check_text(done.output, " ".join(words))
        error = done.exception
        if isinstance(error, TetherError):
            self._check_text(str(error), " ".join(words))
            return 1
        if error is not None and not isinstance(error, SystemExit):
            lines = traceback.format_exception(error)
            self.wrong.append(f"{' '.join(words)}: {error!r:.200} {lines[-2].strip():.200}")
        return done.exit_code

    @contextlib.contextmanager
    def _words(self, what: str) -> Iterator[None]:
        try:
            yield
        except TetherError as error:
            self._check_text(str(error), what)
        except Exception as error:
            lines = traceback.format_exception(error)
            self.wrong.append(f"{what}: {error!r:.200} {lines[-2].strip():.200}")

    def _check_text(self, text: str, what: str) -> None:
        if any(is_control(c) for c in text if c not in "\n\t"):
            self.wrong.append(f"{what}: prints a control character")


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def sound_archive(base: Path) -> Path:
    """Make an archive of two finished rolls, one of them interrupted."""
    desk = Desk(base)
    try:
        for name in ROLLS:
            desk.made_roll(name)
        session = desk.session("Winter")
        session.store.journal.begin(session.roll.id, "release", 2, {"camera": "x", "settings": {}})
        desk.close()
    finally:
        desk.body.close()
    with contextlib.closing(sqlite3.connect(desk.root / DATABASE)) as db:
        db.execute("PRAGMA journal_mode = DELETE")  # one file, which is what gets changed
    return desk.root


def run(base: Path, sound: Path, seed: int) -> tuple[list[str], list[str]]:
    """Run one trial; return what was done to the archive, and what went wrong."""

    def too_long(*_: object) -> None:
        raise Endless

    trial = Trial(base, sound, seed)
    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(SECONDS)
    try:
        trial.change()
        trial.look()
        trial.cure()
        trial.look(cured=not any("json" in what for what in trial.done))
        trial.check()
    except Endless:
        trial.wrong.append("no end")
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return trial.done, trial.wrong


def main() -> int:
    asked = options(__doc__ or "", 2000).parse_args()
    bad: dict[str, dict[str, list[str]]] = {}
    counts = {"archives": asked.trials}
    with tempfile.TemporaryDirectory() as folder:
        sound = sound_archive(Path(folder) / "sound")
        for seed in range(asked.seed, asked.seed + asked.trials):
            done, wrong = run(Path(folder) / "trial", sound, seed)
            if wrong:
                bad[str(seed)] = {"done": done, "wrong": wrong}
                print(seed, done, wrong, flush=True)
    seeds = asked.seed, asked.seed + asked.trials - 1
    return add(asked.out, "hostile archives", seeds, counts, bad)


if __name__ == "__main__":
    sys.exit(main())
