"""The bench: the one at work, and those that the archive remembers.

A bench has a name, its parts, and the set-up steps that were done on it. When the next session is
at the same bench, only those steps come up whose part of it has changed, and those that have to be
done each time.
"""

from __future__ import annotations

import getpass
import json
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any

from tether.archive.open_roll import OpenRoll
from tether.archive.records import Roll
from tether.archive.store import Store
from tether.bench.light_record import LightRecord
from tether.bench.steps import BENCH, LOCK, SET_UP, Part, Step
from tether.capture.bench_shots import BenchShots
from tether.capture.tethered import Tethered
from tether.capture.transfer import Progress
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.settings import LAMP, STROBE, Settings
from tether.text import parsed_json, printable

Report = Callable[[int, Progress], None]
"""Takes the number of a test shot and how far it is."""


@dataclass(slots=True)
class WorkBench:
    """What the steps of the set-up work with.

    Attributes
    ----------
    roll, camera
        The roll at work, and the camera at the cable.
    shots
        Takes test shots, which belong to the bench and to no frame.
    light
        What is kept of the roll's light.
    settings
        Targets and limits; the kind of light is that of the bench which is named.
    name
        What the bench is called, "" while nobody said it.
    """

    roll: OpenRoll
    camera: Tethered
    shots: BenchShots
    light: LightRecord
    settings: Settings
    name: str = ""

    @property
    def strobe(self) -> bool:
        """Whether the light is a strobe, so that the shutter does not set the exposure."""
        return self.settings.light.strobe

    def log(self, text: str) -> None:
        """Add a line about the bench to the roll's log."""
        self.roll.log("bench", text)


LONGEST = 80
"""Characters of a bench's name, of each part and of a person's name."""
MOST_BENCHES = 50
"""So many are remembered, those used last."""

_BENCHES, _PERSON, _AT_HAND = "benches", "person at the bench", "bench at hand"


class BenchError(TetherError):
    """A text about a bench does not make sense; nothing was stored."""


@dataclass(frozen=True, slots=True)
class BenchSetup:
    """A bench.

    Attributes
    ----------
    name
        What the person calls it.
    camera
        What tells its camera from others, see `tether.capture.tethered.Tethered.key`.
    lens, holder, lamp
        In the person's own words, "" where nothing was said.
    film
        The kind of film that its holder is set for, see `film_of`.
    light
        The kind of its light, `tether.settings.LAMP` or `STROBE`; "" where nobody said: then the
        settings say it.
    lock
        Whether its holder has a lock that has to be opened before film slides.
    used_at
        When it was used last, ISO 8601 in UTC.
    done
        By a set-up step's key: when it was last done on this bench.
    """

    name: str
    camera: str = ""
    lens: str = ""
    holder: str = ""
    lamp: str = ""
    film: str = ""
    light: str = ""
    lock: bool = False
    used_at: str = ""
    done: Mapping[str, str] = field(default_factory=dict)

    def parts(self) -> str:
        """Say what it is made of, in a line that is safe to show."""
        named = (("lens", self.lens), ("holder", self.holder), ("lamp", self.lamp))
        said = "; ".join(f"{what}: {printable(x, LONGEST)}" for what, x in named if x)
        if self.light == STROBE:
            said += "; light: strobe" if said else "light: strobe"
        return said or "no parts written down"


@dataclass(frozen=True, slots=True)
class BenchQuestion:
    """What there is to ask about the bench.

    Attributes
    ----------
    last
        The bench that was used last, None in an archive that knows none.
    others
        The other ones, the one used last first.
    changed
        What is seen to be different from ``last`` without asking: the camera, the kind of film.
    standing
        Steps that need not be done again if it is the same bench, with the day each was done.
    person
        Who is at the bench, as far as is known.
    """

    last: BenchSetup | None
    others: tuple[BenchSetup, ...]
    changed: frozenset[Part]
    standing: tuple[tuple[Step, str], ...]
    person: str


def film_of(roll: Roll) -> str:
    """Return what a holder has to be set for: the format, and film or (perhaps mounted) slides."""
    kind = "slides" if roll.process is FilmProcess.TRANSPARENCY else "negatives"
    return f"{roll.format_key} {kind}"


def changed_parts(old: BenchSetup, new: BenchSetup) -> frozenset[Part]:
    """Return the parts in which two descriptions of a bench differ; case and blanks do not count.

    A camera that is not connected is not a different one, and a light of which nobody said the
    kind is none of another kind.
    """
    pairs = (
        (Part.CAMERA, old.camera, new.camera or old.camera),
        (Part.LENS, old.lens, new.lens),
        (Part.HOLDER, old.holder, new.holder),
        (Part.LAMP, old.lamp, new.lamp),
        (Part.LAMP, old.light or new.light, new.light or old.light),
        (Part.FILM, old.film, new.film),
    )
    return frozenset(part for part, a, b in pairs if _same(a) != _same(b))


def standing_steps(bench: BenchSetup, changed: frozenset[Part]) -> tuple[tuple[Step, str], ...]:
    """Return the set-up steps that still hold on a bench, with the day each was done."""
    return tuple(
        (step, bench.done[step.key][:10])
        for step in SET_UP
        if step.key in bench.done and not step.each_time and not step.parts & changed
    )


def tidy(what: str, text: str, *, needed: bool = False) -> str:
    """Return a person's text in normal form.

    Raises
    ------
    BenchError
        When it is longer than `LONGEST`, holds what could steer a terminal, or is empty though it
        is ``needed``.
    """
    said = unicodedata.normalize("NFC", text).strip()
    if len(said) > LONGEST:
        raise BenchError(f"The {what} is longer than {LONGEST} characters.", todo="Shorten it.")
    if printable(said, LONGEST) != said:
        raise BenchError(
            f"The {what} has a character that cannot be shown.", todo="Remove that character."
        )
    if needed and not said:
        raise BenchError(f"The {what} is missing.", todo="Type one, for example: Attic bench.")
    return said


class BenchBook:
    """The benches that an archive remembers. What is read back is text to distrust."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def benches(self) -> tuple[BenchSetup, ...]:
        """Return all of them, the one used last first."""
        try:
            rows = parsed_json(self._store.fact(_BENCHES) or "[]")
        except ValueError:
            return ()
        found = [b for row in rows if (b := _read(row))] if isinstance(rows, list) else []
        return tuple(sorted(found, key=lambda b: b.used_at, reverse=True))

    def find(self, name: str) -> BenchSetup | None:
        """Return the bench of a name, None where there is none."""
        return next((b for b in self.benches() if b.name == name), None)

    def keep(self, bench: BenchSetup) -> None:
        """Store a bench in place of the one of its name."""
        others = [b for b in self.benches() if b.name != bench.name]
        self._write([bench, *others][:MOST_BENCHES])

    def mark(self, name: str, key: str, at: str | None) -> None:
        """Store when a step was done on a bench; None: it was not done after all."""
        bench = self.find(name)
        if bench is None:
            return
        done = {k: v for k, v in bench.done.items() if k != key} | ({key: at} if at else {})
        self.keep(replace(bench, done=done, used_at=self._store.stamp()))

    @property
    def person(self) -> str:
        """Who is at the bench, "" where nobody said."""
        return printable(self._store.fact(_PERSON) or "", LONGEST)

    @property
    def person_or_account(self) -> str:
        """Who works here: the person who was named, else the account, "" where it has no name."""
        return self.person or _account()

    @property
    def by_person(self) -> str:
        """Who does it, as words for the log; "" where that is not known."""
        return f" ({self.person_or_account})" if self.person_or_account else ""

    def set_person(self, name: str) -> None:
        """Store who is at the bench."""
        self._store.set_fact(_PERSON, name or None)

    def at_hand(self, sitting_id: int) -> tuple[str, str]:
        """Return name and film of the bench of a sitting, each "" while it was not said."""
        try:
            found = parsed_json(self._store.fact(_AT_HAND) or "[]")
            of, name, film = found
        except (ValueError, TypeError):
            return "", ""
        if of != sitting_id or not (isinstance(name, str) and isinstance(film, str)):
            return "", ""
        return printable(name, LONGEST), printable(film, LONGEST)

    def put_at_hand(self, sitting_id: int, name: str, film: str) -> None:
        """Store which bench a sitting is at, and the film that its holder is set for."""
        self._store.set_fact(_AT_HAND, json.dumps([sitting_id, name, film]))

    def _write(self, benches: Sequence[BenchSetup]) -> None:
        self._store.set_fact(_BENCHES, json.dumps([asdict(b) for b in benches]))


def _account() -> str:
    """Return the name of the account that the program runs under, "" where it has none."""
    try:
        return printable(getpass.getuser(), LONGEST)
    except (OSError, KeyError):
        return ""


def _same(text: str) -> str:
    return " ".join(text.casefold().split())


_STEP_KEYS = frozenset(step.key for step in SET_UP) - {BENCH}


def _read(row: Any) -> BenchSetup | None:
    """Read a bench from stored data, None where it is no bench."""
    if not isinstance(row, dict) or not isinstance(row.get("name"), str) or not row["name"]:
        return None
    light = row.get("light")
    texts = {
        key: printable(row[key], 400 if key == "camera" else LONGEST)
        for key in ("name", "camera", "lens", "holder", "lamp", "film", "used_at")
        if isinstance(row.get(key), str)
    }
    done = row.get("done")
    held = {
        key: at
        for key, at in (done.items() if isinstance(done, dict) else ())
        if key in _STEP_KEYS and isinstance(at, str) and _is_time(at)
    }
    # An older program asked of every bench for its lock, and did not store whether it has one.
    lock = row.get("lock", LOCK in held) is True
    return BenchSetup(**texts, light=light if light in (LAMP, STROBE) else "", lock=lock, done=held)


def _is_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True
