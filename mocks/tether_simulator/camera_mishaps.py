"""What can go wrong with the camera in a rehearsal: its cable, its battery, its card.

Each is one of the faults of `tether_simulator.faults` under a name that a person can choose from a
list.
"""

from __future__ import annotations

from dataclasses import dataclass

from tether_simulator.faults import (
    BatteryFalls,
    DropConnection,
    Fault,
    FaultScript,
    FullCard,
    NeverCompletes,
    Truncated,
)
from tether_simulator.ptpip_codes import Operation

_FOR_EVER = 1_000_000
LOW_BATTERY = 5.0
FULL_BATTERY = 100.0
FALLEN_BATTERY = 2.0


@dataclass(frozen=True, slots=True)
class CameraMishap:
    """A mishap: code, words, and the fault that it installs. A low battery is no fault."""

    code: str
    label: str
    fault: Fault | None


CAMERA_MISHAPS: tuple[CameraMishap, ...] = (
    CameraMishap(
        "cable-slips",
        "The cable slips out while the next picture is fetched, and is back at once",
        DropConnection(code=Operation.GET_PARTIAL_OBJECT, after=70_000),
    ),
    CameraMishap(
        "cable-out",
        "The cable is out (until you plug it in; then C connects)",
        DropConnection(times=_FOR_EVER),
    ),
    CameraMishap("battery-low", "The battery is nearly empty (until you charge it)", None),
    CameraMishap(
        "battery-falls",
        "The battery gives out at the next picture (until you charge it)",
        BatteryFalls(percent=FALLEN_BATTERY),
    ),
    CameraMishap(
        "card-full", "The card is full (until you put in another)", FullCard(times=_FOR_EVER)
    ),
    CameraMishap(
        "camera-hangs", "The camera hangs at the next picture (next one only)", NeverCompletes()
    ),
    CameraMishap(
        "file-torn", "The next picture's file is cut short on the card (next one only)", Truncated()
    ),
)
_BY_CODE = {mishap.code: mishap for mishap in CAMERA_MISHAPS}


def active(faults: FaultScript, battery: float) -> tuple[str, ...]:
    """Return the codes of what is pending or in force, in the order of `CAMERA_MISHAPS`.

    A battery that gave out is listed as just that until it is charged: who chooses the line once
    more charges it, and does not let it give out again.
    """
    waiting = faults.pending()
    empty = battery <= FALLEN_BATTERY

    def now(mishap: CameraMishap) -> bool:
        if mishap.fault is None:
            return battery <= LOW_BATTERY and not empty
        return mishap.fault in waiting or (empty and isinstance(mishap.fault, BatteryFalls))

    return tuple(mishap.code for mishap in CAMERA_MISHAPS if now(mishap))


def let_happen(code: str, faults: FaultScript) -> float | None:
    """Let a mishap happen; return the charge that the battery has from now on, None for as it is.

    Raises
    ------
    KeyError
        When the code is unknown.
    """
    fault = _BY_CODE[code].fault
    if fault is None:
        return LOW_BATTERY
    faults.install(fault)
    return None


def put_right(code: str, faults: FaultScript) -> float | None:
    """Put a mishap right; returns and raises as `let_happen`."""
    fault = _BY_CODE[code].fault
    if fault is not None:
        faults.remove(fault)
    return FULL_BATTERY if fault is None or isinstance(fault, BatteryFalls) else None
