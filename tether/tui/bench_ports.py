"""What the screens that ready the bench may ask: the light test, base exposure, camera and focus.

Beside `tether.tui.session_port`, because what they measure with takes a tenth of a second to load,
which the program's start need not wait for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

from tether.bench.base_exposure import BaseCalibration, BaseResult
from tether.bench.camera_check import CheckResult
from tether.bench.camera_setup import CameraSetup, CheckedCamera
from tether.bench.light_test import LightResult, LightTest, StrayResult
from tether.capture.transfer import Progress
from tether.errors import NotNow
from tether.session.events import (
    BlankLaid,
    FilmPutBack,
    FocusRingTurned,
    GateOpened,
    LampSwitched,
    LiveViewMagnified,
    StrobePowerTurned,
)
from tether.session.hands_free import HandsFree
from tether.session.hands_free_cues import Command, Moment
from tether.session.session import Session
from tether.tui.session_port import SessionPort

ReportExposure = Callable[[int, Progress], None]
"""Takes the number of an exposure and how far it is; called on the session's thread."""


class LightTestPort:
    """The light test of a session."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port
        self._test: LightTest | None = None

    def _of(self, session: Session) -> LightTest:
        self._test = self._test or LightTest(session.bench)
        return self._test

    async def film_loaded(self) -> bool:
        """Whether a strip was put into the holder, as far as the person said."""
        return await self._port.ask(lambda s: s.checklist.film_loaded)

    async def measure(self, report: ReportExposure, turned_ev: float = 0.0) -> LightResult:
        """Photograph the open gate; the film is out, the power turned by ``turned_ev`` stops."""
        await self._port.announce(GateOpened())
        await self._port.announce(LampSwitched(True))
        if turned_ev:
            await self._port.announce(StrobePowerTurned(turned_ev))
        return await self._port.ask(lambda s: self._of(s).run(report))

    async def keep_older(self, result: LightResult) -> LightResult:
        """Leave the open gate in force that was so before a result."""
        return await self._port.ask(lambda s: self._of(s).keep_older(result))

    async def measure_dark(self, gate: LightResult, report: ReportExposure) -> StrayResult:
        """Photograph the gate with the lamp off, and compare it with the open gate."""
        await self._port.announce(LampSwitched(False))
        return await self._port.ask(lambda s: self._of(s).run_stray(gate, report))

    async def film_back(self) -> None:
        """The lamp is on and the film back in the gate."""
        await self._port.announce(LampSwitched(True))
        await self._port.announce(FilmPutBack())

    async def close(self) -> None:
        """End the worker, after what it is at."""
        await self._port.ask(lambda s: self._of(s).close())


class BaseExposurePort:
    """The base exposure of a roll."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port
        self._calibration: BaseCalibration | None = None

    def _of(self, session: Session) -> BaseCalibration:
        self._calibration = self._calibration or BaseCalibration(session.bench)
        return self._calibration

    async def shoot(
        self, report: ReportExposure, *, blank: bool = False, turned_ev: float = 0.0
    ) -> BaseResult:
        """Photograph what is in the gate: a ``blank`` piece of film, or a frame."""
        if blank:
            await self._port.announce(BlankLaid())
        if turned_ev:
            await self._port.announce(StrobePowerTurned(turned_ev))
        return await self._port.ask(lambda s: self._of(s).shoot(report))

    async def set_wanted(self) -> str:
        """Set the shutter to what the last shot asks for; return how it is set now."""
        return await self._port.ask(lambda s: self._of(s).set_wanted())

    async def begin_anew(self) -> None:
        """Count the shots from the start."""
        await self._port.ask(lambda s: self._of(s).begin_anew())

    async def film_back(self) -> None:
        """The frame is back in the gate."""
        await self._port.announce(FilmPutBack())

    async def close(self) -> None:
        """End the worker, after what it is at."""
        await self._port.ask(lambda s: self._of(s).close())


class CameraSetupPort:
    """The camera check, and setting the camera as it asks."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port

    async def check(self) -> CheckedCamera:
        """Read the camera and compare it with what the bench asks for."""
        return await self._port.ask(lambda s: CameraSetup(s.bench).check())

    async def set_up(self, lines: Sequence[CheckResult]) -> tuple[str, ...]:
        """Set what the lines ask for; return what there is to say about each."""
        return await self._port.ask(lambda s: CameraSetup(s.bench).set_up(lines))

    async def put_back(self) -> tuple[str, ...]:
        """Set everything back to what was found; return what there is to say about each."""
        return await self._port.ask(lambda s: CameraSetup(s.bench).put_back())


class HandsFreePort:
    """The work on a roll whose film is the control."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port
        self._work: HandsFree | None = None
        self._stopped = threading.Event()

    async def run(self, tell: Callable[[Moment], None]) -> None:
        """Work until the roll is complete, keys are needed, or `stop`.

        ``tell`` is called on the session's thread.
        """
        self._stopped.clear()

        def work(session: Session) -> None:
            self._work = HandsFree(session, tell)
            self._work.run(self._stopped.is_set)

        await self._port.ask(work)

    def command(self, command: Command) -> None:
        """Say something by a key."""
        if self._work is not None:
            self._work.command(command)

    def stop(self) -> None:
        """Stop after what is under way; safe to call twice."""
        self._stopped.set()


class LiveFocusPort:
    """Live pictures for focusing."""

    def __init__(self, port: SessionPort) -> None:
        self._port = port

    async def picture(self) -> tuple[bytes, float]:
        """Return one live picture as the camera sent it, and the milliseconds that it took."""

        def ask(session: Session) -> tuple[bytes, float]:
            camera = session.tethered.camera
            if camera is None or session.tethered.state is None:
                raise NotNow("No camera is connected.", todo="Go back and connect it.")
            began = time.perf_counter()
            jpeg = camera.preview()
            return jpeg, 1000 * (time.perf_counter() - began)

        jpeg, took = await self._port.ask(ask)
        self._port.show_live(jpeg)
        return jpeg, took

    async def magnify(self, zoom: float) -> None:
        """The camera's own magnifier was pressed."""
        await self._port.announce(LiveViewMagnified(zoom))

    async def turn_ring(self, mm: float) -> None:
        """The focusing ring was turned by so much of the film's depth."""
        await self._port.announce(FocusRingTurned(mm))
