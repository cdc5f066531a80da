"""What can go wrong with the camera and on the way to it, as a list that a test writes down.

A fault says what happens and when: at the ``nth`` occasion of its kind from when it was
installed, and ``times`` times in a row. Faults of the connection count operations (with a
``code`` and, if need be, a first ``parameter``), faults of a picture count exposures, faults of
the news count events of one code.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from typing import TypeVar

from tether_simulator.ptp import Event, Response


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """When a fault strikes: first at the ``nth`` occasion (from 1), ``times`` times in a row."""

    nth: int = 1
    times: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class OperationFault(Fault):
    """A fault of the connection: counts operations.

    ``code`` is the operation's code, None for every operation; ``parameter`` its first
    parameter (an object's handle, a property's code), None for any.
    """

    code: int | None = None
    parameter: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DropConnection(OperationFault):
    """The connection breaks ``after`` bytes of the answer, counted on into later ones."""

    after: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow(OperationFault):
    """The answer comes ``seconds`` late."""

    seconds: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Refuse(OperationFault):
    """The camera answers with ``response`` instead of doing it; busy unless said otherwise."""

    response: int = Response.DEVICE_BUSY


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureFault(Fault):
    """A fault of a picture: counts exposures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongSize(PictureFault):
    """The camera says that the file is ``by`` bytes longer (or shorter) than it is."""

    by: int = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Truncated(PictureFault):
    """Only the first ``keep`` bytes are there; the camera states the whole size."""

    keep: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrupted(PictureFault):
    """``length`` bytes from ``offset`` are inverted; a negative offset counts from the end."""

    offset: int = 0
    length: int = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class FullCard(PictureFault):
    """The card runs full during the exposure: StoreFull, and no picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryFalls(PictureFault):
    """The battery falls to ``percent`` as the shutter is fired."""

    percent: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NeverCompletes(PictureFault):
    """The shutter is fired, and nothing is heard of it again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LateSecondFile(PictureFault):
    """The second file of raw + JPEG comes ``seconds`` after the first."""

    seconds: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SameName(PictureFault):
    """Numbers start over, so that a name comes again: in a new folder, or in the ``same`` one.

    In the same folder it is the name of the picture before.
    """

    same: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BadName(PictureFault):
    """The file is called ``name``, whatever that is."""

    name: str = "../../.profile"


@dataclass(frozen=True, slots=True, kw_only=True)
class EventFault(Fault):
    """A fault of the news: counts events with this ``code``."""

    code: int = Event.OBJECT_ADDED


@dataclass(frozen=True, slots=True, kw_only=True)
class LostEvent(EventFault):
    """The event is not sent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicateEvent(EventFault):
    """The event is sent twice."""


KINDS: tuple[type[Fault], ...] = (
    DropConnection,
    Slow,
    Refuse,
    WrongSize,
    Truncated,
    Corrupted,
    FullCard,
    BatteryFalls,
    NeverCompletes,
    LateSecondFile,
    SameName,
    BadName,
    LostEvent,
    DuplicateEvent,
)
"""Every kind of fault."""

_Kind = TypeVar("_Kind", bound=Fault)


class FaultScript:
    """The faults that are installed, and how far each has counted. Safe to use from threads."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._lock = threading.Lock()
        self._installed: list[tuple[Fault, list[int]]] = []
        self._struck: list[Fault] = []
        self.install(*faults)

    def install(self, *faults: Fault) -> None:
        """Add faults. Each counts from now on."""
        with self._lock:
            self._installed += [(fault, [0]) for fault in faults]

    def clear(self) -> None:
        """Remove all faults."""
        with self._lock:
            self._installed.clear()

    def remove(self, fault: Fault) -> None:
        """Remove one fault, as often as it was added."""
        with self._lock:
            self._installed = [entry for entry in self._installed if entry[0] != fault]

    def pending(self) -> tuple[Fault, ...]:
        """The faults that have still to strike, or to strike once more."""
        with self._lock:
            return tuple(
                fault
                for fault, counted in self._installed
                if counted[0] < fault.nth + fault.times - 1
            )

    @property
    def struck(self) -> tuple[Fault, ...]:
        """The faults that have struck, once for each time, in order."""
        with self._lock:
            return tuple(self._struck)

    def operation(self, code: int, parameter: int) -> tuple[OperationFault, ...]:
        """Count an operation; return the faults that strike it."""
        return self._count(
            OperationFault,
            lambda fault: fault.code in {None, code} and fault.parameter in {None, parameter},
        )

    def picture(self) -> tuple[PictureFault, ...]:
        """Count an exposure; return the faults that strike it."""
        return self._count(PictureFault, lambda _: True)

    def event(self, code: int) -> tuple[EventFault, ...]:
        """Count an event; return the faults that strike it."""
        return self._count(EventFault, lambda fault: fault.code == code)

    def _count(self, kind: type[_Kind], concerns: Callable[[_Kind], bool]) -> tuple[_Kind, ...]:
        striking: list[_Kind] = []
        with self._lock:
            for fault, counted in self._installed:
                if not isinstance(fault, kind) or not concerns(fault):
                    continue
                counted[0] += 1
                if fault.nth <= counted[0] < fault.nth + fault.times:
                    striking.append(fault)
            self._struck += striking
        return tuple(striking)


def among(kind: type[_Kind], faults: Iterable[Fault]) -> _Kind | None:
    """Return the first of ``faults`` that is of a kind, None where there is none."""
    return next((fault for fault in faults if isinstance(fault, kind)), None)


def parse(text: str) -> Fault:
    """Read a fault as a person writes it: ``Slow code=0x101b seconds=2 nth=3``.

    Raises
    ------
    ValueError
        When there is no such kind of fault or it has no such field.
    """
    name, *pairs = text.split()
    kind = next((kind for kind in KINDS if kind.__name__ == name), None)
    if kind is None:
        raise ValueError(f"no fault '{name}'; known: {', '.join(k.__name__ for k in KINDS)}")
    known = {item.name: str(item.type) for item in fields(kind)}
    values: dict[str, int | float | str | bool] = {}
    for pair in pairs:
        key, _, value = pair.partition("=")
        if key not in known:
            raise ValueError(f"{name} has no '{key}'; known: {', '.join(known)}")
        values[key] = _read(known[key], value)
    return kind(**values)  # type: ignore[arg-type]


def _read(kind: str, value: str) -> int | float | str | bool:
    if kind.startswith("int"):
        return int(value, 0)
    if kind == "float":
        return float(value)
    return value in {"1", "true", "yes"} if kind == "bool" else value
