"""What can go wrong in a rehearsal, as a list that a person chooses from: film, lamp, lens, camera.

Those of the bench are played by `tether_simulator.hand.Hand`. Those of the camera are faults of
`tether_simulator.faults` under a name, a battery, or dials that are turned.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from tether_simulator.camera.body import Body
from tether_simulator.camera.dials import DIALS
from tether_simulator.faults import (
    BatteryFalls,
    DropConnection,
    Fault,
    FullCard,
    NeverCompletes,
    Truncated,
)
from tether_simulator.ptp import Operation


class Lasts(Enum):
    """How long a mishap lasts, in the words of the list's headings."""

    ONE_MOVE = "The next move of the film (move it again)"
    LOADING = "The strip (until you load it again)"
    BENCH = "Lens, lamp and room (until you put it right)"
    FRAME = "This frame (for good)"


OF_CAMERA = "Camera, cable and card"
"""The heading of the camera's mishaps."""


@dataclass(frozen=True, slots=True)
class Mishap:
    """One thing that can go wrong: its code, the words for it, and how long it lasts."""

    code: str
    label: str
    lasts: Lasts


#: Every mishap that the bench knows. Those of Lasts.FRAME strike the frame that is in the gate.
MISHAPS: tuple[Mishap, ...] = (
    Mishap("not-advanced", "The film is not moved", Lasts.ONE_MOVE),
    Mishap("slipped", "The film lands 3 mm off", Lasts.ONE_MOVE),
    Mishap("half-way", "The film stops between two frames", Lasts.ONE_MOVE),
    Mishap("wrong-side", "The shiny side faces the lens (only you see it)", Lasts.LOADING),
    Mishap("tilted-strip", "The strip lies 2.5° askew", Lasts.LOADING),
    Mishap("out-of-focus", "The focus is off (focus again)", Lasts.BENCH),
    Mishap("one-side-soft", "One side is soft: the camera is not square (level it)", Lasts.BENCH),
    Mishap("dust-on-lens", "There is dust on the lens (clean it)", Lasts.BENCH),
    Mishap("room-light", "The room light is on (switch it off)", Lasts.BENCH),
    Mishap("lamp-flicker", "The lamp flickers (change it)", Lasts.BENCH),
    Mishap("lamp-dim", "The lamp lost a stop and a half (turn it up)", Lasts.BENCH),
    Mishap("lamp-bright", "The lamp gained a stop and a half (turn it down)", Lasts.BENCH),
    Mishap("lamp-uneven", "The lamp moved aside (centre it)", Lasts.BENCH),
    Mishap("lamp-fades", "The lamp fades with every move (turn it up)", Lasts.BENCH),
    Mishap("lamp-yellows", "The lamp yellows with every move (change it)", Lasts.BENCH),
    Mishap("over", "This picture was overexposed by 3 stops when taken", Lasts.FRAME),
    Mishap("under", "This picture was underexposed by 3 stops when taken", Lasts.FRAME),
    Mishap("blank", "This frame was never exposed", Lasts.FRAME),
    Mishap("light-struck", "Light got into the camera at this frame", Lasts.FRAME),
    Mishap("scratched", "This frame is scratched along the film", Lasts.FRAME),
    Mishap("dusty", "This frame has dust and fibres on it", Lasts.FRAME),
)

CREEPING = frozenset({"lamp-fades", "lamp-yellows"})
"""Mishaps of the bench that grow with every move of the film."""


def mishap_of(code: str) -> Mishap:
    """Return a mishap of the bench by its code.

    Raises
    ------
    ValueError
        When the code is unknown.
    """
    for mishap in MISHAPS:
        if mishap.code == code:
            return mishap
    raise ValueError(f"no mishap '{code}'; known: {', '.join(m.code for m in MISHAPS)}")


_FOR_EVER = 1_000_000
LOW_BATTERY = 5.0
FULL_BATTERY = 100.0
FALLEN_BATTERY = 2.0
HOLIDAY = "home-from-holiday"
"""Its dials are turned, see `tether_simulator.camera.dials.Dial.holiday`."""


@dataclass(frozen=True, slots=True)
class CameraMishap:
    """A mishap: code, words, and the fault that it installs, where it is one."""

    code: str
    label: str
    fault: Fault | None = None


CAMERA_MISHAPS: tuple[CameraMishap, ...] = (
    CameraMishap(
        "cable-slips",
        "The cable slips out during the next transfer, and is back at once",
        DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=70_000),
    ),
    CameraMishap(
        "cable-out",
        "The cable is out (plug it in, then connect again)",
        DropConnection(times=_FOR_EVER),
    ),
    CameraMishap("battery-low", "The battery is nearly empty (charge it)"),
    CameraMishap(
        "battery-falls",
        "The battery gives out at the next picture (charge it)",
        BatteryFalls(percent=FALLEN_BATTERY),
    ),
    CameraMishap("card-full", "The card is full (put in another)", FullCard(times=_FOR_EVER)),
    CameraMishap("camera-hangs", "The camera hangs at the next picture (once)", NeverCompletes()),
    CameraMishap(
        "file-torn", "The next picture's file is cut short on the card (once)", Truncated()
    ),
    CameraMishap(HOLIDAY, "Back from a holiday: P, ISO 800, JPEG, autofocus (set it again)"),
)
_BY_CODE = {mishap.code: mishap for mishap in CAMERA_MISHAPS}


def active(body: Body) -> tuple[str, ...]:
    """Return the codes of what is pending or in force, in the order of `CAMERA_MISHAPS`.

    A battery that gave out is listed as just that until it is charged: who chooses the line again
    charges it, and does not let it give out a second time.
    """
    waiting = body.faults.pending()
    empty = body.battery <= FALLEN_BATTERY

    def now(mishap: CameraMishap) -> bool:
        if mishap.code == HOLIDAY:
            return any(body.dials[dial.code] == dial.holiday for dial in DIALS.values())
        if mishap.fault is None:
            return body.battery <= LOW_BATTERY and not empty
        return mishap.fault in waiting or (empty and isinstance(mishap.fault, BatteryFalls))

    return tuple(mishap.code for mishap in CAMERA_MISHAPS if now(mishap))


def let_happen(code: str, body: Body) -> None:
    """Let a mishap of the camera happen. Raises KeyError when the code is unknown."""
    fault = _BY_CODE[code].fault
    if code == HOLIDAY:
        for dial in DIALS.values():
            if dial.holiday is not None:
                body.turn(dial.code, dial.holiday)
    elif fault is None:
        body.battery = LOW_BATTERY
    else:
        body.faults.install(fault)


def put_right(code: str, body: Body) -> None:
    """Put a mishap of the camera right. Raises KeyError when the code is unknown."""
    fault = _BY_CODE[code].fault
    if code == HOLIDAY:
        for dial in DIALS.values():
            if dial.holiday is not None:
                body.turn(dial.code, dial.default)
        return
    if fault is not None:
        body.faults.remove(fault)
    if fault is None or isinstance(fault, BatteryFalls):
        body.battery = FULL_BATTERY
