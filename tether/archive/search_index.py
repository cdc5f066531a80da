"""The index of what is known of rolls: words in names, notes, descriptions and captions.

The index is SQLite's FTS5 in a file of its own. It is derived: the database notes which rolls were
changed, the index takes them over before it answers, and it is made again where it is missing,
damaged, or another database's. Scripts that are written without blanks (Chinese, Japanese, and
others) are indexed letter by letter, so that any part of a word is found; in others a word is found
by its beginning, without regard to accents and capitals.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from tether.archive.records import RollError, utf8_safe
from tether.archive.store import Store
from tether.text import parsed_json

INDEX_FILE = ".find.sqlite3"
_FORMAT = 1
_BATCH = 500
MOST_WORDS = 32

#: Scripts without blanks between words, by the ranges of their letters (Unicode 15, Blocks.txt):
#: Thai to Khmer, kana, ideographs, Hangul (whose endings belong to the word before), and beyond.
_LETTER_BY_LETTER = re.compile(
    "([\u0e00-\u0eff\u1000-\u109f\u1780-\u17ff\u3005-\u3007\u3040-\u30ff\u31f0-\u31ff\u3400-\u4dbf"
    "\u4e00-\u9fff\ua000-\ua48f\uac00-\ud7af\uf900-\ufaff\U00020000-\U0003ffff])"
)

_WORD = re.compile(r"\w+")

#: Letters that are no letter with an accent (which the index sees through by itself).
_PLAIN = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "æ": "ae", "œ": "oe", "ð": "d", "ı": "i"})


class Hit(NamedTuple):
    """A roll in which all the words were found.

    Attributes
    ----------
    roll, waiting
        Number of the roll, or of the roll that waits; the other is None.
    """

    roll: int | None
    waiting: int | None


class SearchIndex:
    """The index of an archive, brought up to date when it is opened.

    Parameters
    ----------
    store, root
        The archive's database and folder. Where the folder cannot be written to, the index is
        made in memory.
    report
        Called with how many rolls are still to be taken over.
    """

    def __init__(
        self, store: Store, root: Path, report: Callable[[int], None] = lambda _: None
    ) -> None:
        self._store = store
        self._report = report
        path = root / INDEX_FILE
        if path.is_symlink():  # nothing is written through a link
            _remove(path)
        try:
            self._db = self._opened(str(path))
        except sqlite3.DatabaseError:
            # Damaged, or not to be written to: it holds nothing that is not elsewhere.
            _remove(path)
            try:
                self._db = self._opened(str(path))
            except sqlite3.DatabaseError:
                self._db = self._in_memory()

    def close(self) -> None:
        """Close the index."""
        self._db.close()

    def _in_memory(self) -> sqlite3.Connection:
        try:
            return self._opened(":memory:")
        except sqlite3.OperationalError as error:
            raise RollError(
                f"SQLite cannot make an index here: {error}.",
                todo="Use a Python whose SQLite has FTS5, as those of python.org have.",
            ) from error

    def _opened(self, path: str) -> sqlite3.Connection:
        db = sqlite3.connect(path, isolation_level=None, timeout=10)
        try:
            db.execute("BEGIN IMMEDIATE")
            token, last = self._store.database_mark()
            db.execute("CREATE TABLE IF NOT EXISTS state (mark TEXT NOT NULL, seen INT NOT NULL)")
            row = db.execute("SELECT mark, seen FROM state").fetchone()
            mark = f"{_FORMAT} {token}"
            if row is None or row[0] != mark or row[1] > last:
                db.execute("DROP TABLE IF EXISTS words")
                db.execute(
                    "CREATE VIRTUAL TABLE words USING fts5 (text, detail = full, columnsize = 0, "
                    "prefix = '1 2 3', tokenize = 'unicode61 remove_diacritics 2')"
                )
                db.execute("DELETE FROM state")
                db.execute("INSERT INTO state VALUES (?, -1)", (mark,))
                row = (mark, -1)
            if row[1] < last:
                self._take_over(db, int(row[1]))
                db.execute("UPDATE state SET seen = ?", (last,))
            db.execute("COMMIT")
        except BaseException:
            db.close()
            raise
        return db

    def _take_over(self, db: sqlite3.Connection, seen: int) -> None:
        changed = self._store.changed_since(seen)
        for first in range(0, len(changed), _BATCH):
            self._report(len(changed) - first)
            for number in changed[first : first + _BATCH]:
                if seen >= 0:
                    db.execute("DELETE FROM words WHERE rowid = ?", (number,))
                if text := _text_of(self._store, number):
                    db.execute("INSERT INTO words (rowid, text) VALUES (?, ?)", (number, text))

    def find(self, words: Sequence[Sequence[str]], most: int = -1) -> Iterator[Hit]:
        """Yield the rolls with all the words, the newest first, then those that wait."""
        query = " AND ".join(f'"{" ".join(word)}"{_star(word)}' for word in words)
        for side, order in (("rowid > 0", "DESC"), ("rowid < 0", "DESC")):
            found = self._db.execute(
                f"SELECT rowid FROM words WHERE words MATCH ? AND {side} "
                f"ORDER BY rowid {order} LIMIT ?",
                (query, most),
            )
            for (number,) in found:
                most -= most > 0
                yield Hit(number if number > 0 else None, -number if number < 0 else None)
            if most == 0:
                return


def _remove(path: Path) -> None:
    for ending in ("", "-journal"):
        with contextlib.suppress(OSError):
            path.with_name(f"{path.name}{ending}").unlink()


def _star(word: Sequence[str]) -> str:
    """Return what lets a word be found by its beginning, nothing for a letter that is a word."""
    return "" if _LETTER_BY_LETTER.fullmatch(word[-1]) else "*"


def prepared(text: str) -> list[str]:
    """Return a text as the index has it: words without accents' letters, or single letters."""
    if text.isascii():
        return _WORD.findall(text.lower())
    folded = unicodedata.normalize("NFKC", text).casefold().translate(_PLAIN)
    return _WORD.findall(_LETTER_BY_LETTER.sub(r" \1 ", folded))


def asked_words(texts: Sequence[str]) -> list[list[str]]:
    """Return the words that a person asks for, each as letters and words that follow each other.

    Raises
    ------
    RollError
        When there is no word in it, or too many.
    """
    words = [found for text in texts for part in text.split() if (found := prepared(part))]
    if not words or len(words) > MOST_WORDS:
        raise RollError(
            "There is no word to look for." if not words else "These are too many words.",
            todo="Give one or a few words of a name, a place or a caption.",
        )
    return words


def has_words(text: str, words: Sequence[Sequence[str]]) -> bool:
    """Tell whether a text has one of the words, as far as the index would see."""
    plain = f" {' '.join(_bare(w) for w in prepared(text))}"
    return any(f" {' '.join(map(_bare, word))}" in plain for word in words)


def _bare(word: str) -> str:
    parts = unicodedata.normalize("NFD", word)
    return "".join(c for c in parts if not unicodedata.combining(c))


def _text_of(store: Store, number: int) -> str:
    return " ".join(prepared(utf8_safe("\n".join(_texts_of(store, number)))))


def _texts_of(store: Store, number: int) -> Iterator[str]:
    """Yield each text of a roll and its frames, or of one that waits (with a minus)."""
    if number < 0:
        found = store.waiting.by_id(-number)
        if found is not None:
            yield from (found.new.name, found.new.notes)
            yield from described_texts(found.new.description.stored)
        return
    row = store.database.one("SELECT name, notes, description FROM roll WHERE id = ?", number)
    if row is None:
        return
    yield from (row["name"], row["notes"])
    with store.database.making_sense():
        yield from described_texts(parsed_json(row["description"]))
        for frame in store.database.all(
            "SELECT note, description FROM frame WHERE roll_id = ? "
            "AND (note <> '' OR description <> '{}') ORDER BY number",
            number,
        ):
            yield frame["note"]
            yield from described_texts(parsed_json(frame["description"]))


def described_texts(stored: object) -> Iterator[str]:
    """Yield each text of a stored description."""
    for value in stored.values() if isinstance(stored, Mapping) else ():
        if isinstance(value, str):
            yield value
        elif isinstance(value, list):
            yield from (entry for entry in value if isinstance(entry, str))
