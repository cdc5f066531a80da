"""A bench that stands still: camera, judge, hand and clock that give the same at every run.

The session, the store and the screens are the real ones. What would differ from one run or
machine to the next is not: the time, the place of the archive, what a camera says and what is
measured in a picture. So nothing is photographed or measured here; the numbers are written down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import numpy as np
from tether_simulator.mishaps import CAMERA_MISHAPS, MISHAPS, OF_CAMERA

from tether.archive.archive import Archive
from tether.archive.records import Roll
from tether.bench.benches import BenchBook, BenchSetup
from tether.camera.protocol import CameraIdentity, CameraState, CardFile, Role, Setting
from tether.facts import Facts
from tether.findings import Finding
from tether.session.events import Event
from tether.session.judge import Judgement, JudgeRequest
from tether.session.next_step import NextKind
from tether.session.session import Session

BEGIN = datetime(2026, 11, 3, 14, 5, tzinfo=UTC)
SHUTTERS = tuple(f"1/{n}" for n in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 125))


class StoppedClock(datetime):
    """Takes the place of `datetime`: the time passes only when a test says so."""

    at = BEGIN

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> StoppedClock:
        shown = cls.at.astimezone(tz) if tz else cls.at.astimezone().replace(tzinfo=None)
        return cls.fromisoformat(shown.isoformat())

    @classmethod
    def passes(cls, **time: float) -> None:
        cls.at += timedelta(**time)


class StillCamera:
    """Has settings, and gives a file of its own for every release."""

    identity = CameraIdentity("Bench Camera", "usb:001,004", "000123", "Bench")

    def __init__(self) -> None:
        self.settings = {
            setting.role: setting
            for setting in (
                Setting(Role.SHUTTER, "shutterspeed", "1/15", SHUTTERS),
                Setting(Role.APERTURE, "f-number", "f/8", ("f/5.6", "f/8", "f/11")),
                Setting(Role.ISO, "iso", "100", ("100", "200", "400", "800")),
                Setting(Role.WHITE_BALANCE, "whitebalance", "Daylight", ("Automatic", "Daylight")),
                Setting(Role.IMAGE_FORMAT, "imageformat", "RAW", ("RAW", "RAW + JPEG", "JPEG")),
                Setting(Role.FOCUS_MODE, "focusmode", "Manual", ("Manual", "AF-S"), True),
                Setting(Role.EXPOSURE_MODE, "expprogram", "M", ("M", "A", "P"), True),
                Setting(Role.CAPTURE_TARGET, "capturetarget", "Memory card", ("Memory card",)),
            )
        }
        self.released = 0

    def state(self) -> CameraState:
        return CameraState(dict(self.settings), 82.0, 48_000_000_000, 512, True)

    def set(self, role: Role, value: str) -> Setting:
        self.settings[role] = replace(self.settings[role], value=value)
        return self.settings[role]

    def list_files(self) -> Sequence[CardFile]:
        return ()

    def capture(self) -> Sequence[CardFile]:
        self.released += 1
        StoppedClock.passes(seconds=38)
        return (CardFile("/store/DCIM", f"BNCH{self.released:04}.DNG", 16),)

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        return ()

    def fetch(self, file: CardFile, destination: Path) -> int:
        with destination.open("xb") as copy:
            # The head of a TIFF file without a directory, and a number to tell it by.
            return copy.write(b"II*\0\0\0\0\0" + self.released.to_bytes(8, "little"))

    def preview(self) -> bytes:
        raise AssertionError("the focus screen is given values")

    def give_up(self) -> None:
        """No call of it hangs."""

    def reconnect(self) -> None:
        pass

    def close(self) -> None:
        pass


class StillHand:
    """The hand of a rehearsal; one of its mishaps is in force."""

    def listen(self, event: Event) -> None:
        pass

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        return (
            *((m.code, m.label, m.lasts.value) for m in MISHAPS),
            *((m.code, m.label, OF_CAMERA) for m in CAMERA_MISHAPS),
        )

    def active(self) -> tuple[str, ...]:
        return ("tilted-strip",)

    def toggle(self, code: str, frame: int | None = None) -> None:
        pass

    def press_button(self, frame: int) -> None:
        pass


def negative() -> np.ndarray[Any, np.dtype[np.float32]]:
    """A negative of steps of grey over a dark sky, one corner of it saturated; (96, 144, 3)."""
    picture = np.full((96, 144), 0.30, np.float32)
    picture[:40] = 0.08
    for step in range(6):
        picture[40:72, 24 * step : 24 * step + 24] = 0.10 + 0.10 * step
    picture[76:96, 108:144] = 1.0
    return np.repeat(picture[..., None], 3, axis=2)


def _facts(base_ev: float, shift: int) -> dict[str, Any]:
    """What is measured in a frame: bars of two humps, ``shift`` quarters of a stop lighter."""
    humps = [0] * 22 + [400, 4000, 12700, 4200, 1900, 130, 120, 7700, 7100, 800]
    bars = ([0] * shift + humps)[:40]
    counts = {name: bars[off:] + [0] * (40 - len(bars) + off) for name, off in _CHANNELS}
    return {
        "saturated_picture": {"R": 0.0, "G1": 0.0 if base_ev < 0 else 0.056, "B": 0.0},
        "headroom_picture_ev": {"R": 1.64, "G1": 0.86 if base_ev < 0 else 0.0, "B": 1.42},
        "base_ev": base_ev,
        "histogram": {"lowest_ev": -10.0, "bin_ev": 0.25, "counts": counts},
    }


_CHANNELS = (("R", 3), ("G1", 0), ("B", 2), ("G2", 0))

KEEP = Judgement(
    Facts.read(_facts(-0.46, 3) | {"verdict": "keep", "findings": []}), b"", negative()
)

_SATURATED = Finding.of(
    "base-saturated", 0.0, advice="Give 1.3 stops less light: set the shutter to 1/40."
).as_json()
_SOFT = {
    "code": "corner-soft",  # a code that this program does not have, as a newer one may store it
    "severity": "look",
    "value": 0.62,
    "unit": "of the middle",
    "text": "The upper left corner is softer than the middle: 62 % of its sharpness.",
    "action": "Level the camera, then focus again.",
}

RESHOOT = Judgement(
    Facts.read(
        _facts(0.0, 8)
        | {"verdict": "reshoot", "advice_shutter": "1/40", "findings": [_SATURATED, _SOFT]}
    ),
    b"",
    negative(),
)
LOOK = Judgement(
    Facts.read(_facts(-0.41, 3) | {"verdict": "look", "findings": [_SOFT]}), b"", negative()
)


@dataclass
class StillJudge:
    """Says what was written down for a frame's take, else that it can be kept."""

    says: dict[str, Judgement] = field(default_factory=dict)

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        return self.says.get(path.stem[-7:], KEEP)


@dataclass
class Bench:
    """The bench that stands still, and the work that was done before its screens open."""

    archive: Archive
    roll: Roll
    camera: StillCamera = field(default_factory=StillCamera)
    judge: StillJudge = field(default_factory=StillJudge)

    def session(self) -> Session:
        return Session(self.archive, self.roll, self.camera, self.judge)

    def knows_itself(self) -> None:
        """The archive knows its bench, and what of the set-up is open is left out."""
        BenchBook(self.archive.store).keep(
            BenchSetup("Table 1", lens="macro 60 mm", lamp="panel", used_at="2026-11-02")
        )
        with self.session() as session:
            session.set_up.skip()

    def to_step(self, key: str) -> None:
        """Confirm what comes up to a step."""
        with self.session() as session:
            while (step := session.next_step().step) is not None and step.key != key:
                session.confirm(step)
            assert step is not None, f"no step {key} came"

    def to_shutter(self) -> None:
        """Confirm what comes up to the next frame's shutter."""
        with self.session() as session:
            _to_shutter(session)

    def shoots(self, *verdicts: Judgement, keep: bool = True) -> None:
        """Shoot frame after frame with these verdicts; the last one waits unless it is kept."""
        with self.session() as session:
            for number, verdict in enumerate(verdicts, start=1):
                _to_shutter(session)
                frame = session.next_step().frame
                take = len(session.frames()[(frame or 1) - 1].captures) + 1
                self.judge.says[f"f{frame:03}_t{take}"] = verdict
                session.capture()
                if number < len(verdicts) or keep:
                    session.keep()


def _to_shutter(session: Session) -> None:
    while session.next_step().kind is NextKind.STEP:
        session.confirm()
