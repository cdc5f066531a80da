"""Setting the camera for the bench, and putting it back as it was found.

What is found is stored before the first change, so that the camera can also be put back after a
crash, from another roll, or on another day. Each camera has its own memory.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tether.archive.records import FrameState
from tether.bench.benches import WorkBench
from tether.bench.camera_check import CLOCK_VALUE, CheckResult, Job, check_camera, clock_ahead
from tether.camera.errors import CameraRefused
from tether.camera.protocol import CameraState, Role
from tether.errors import NotNow
from tether.text import parsed_json, printable


@dataclass(frozen=True, slots=True)
class CheckedCamera:
    """What the check shows: its lines, and (role, value) of what can be put back."""

    camera: str
    lines: tuple[CheckResult, ...]
    found: tuple[tuple[Role, str], ...]


class CameraSetup:
    """Checks, sets and puts back the camera of a bench. All methods block.

    Parameters
    ----------
    bench
        Whose camera it is; everything that is done goes into its roll's log.
    """

    def __init__(self, bench: WorkBench) -> None:
        self._bench = bench
        self._roll = bench.roll
        self._camera = bench.camera

    def check(self) -> CheckedCamera:
        """Read the camera afresh and compare it with what the bench asks for.

        Raises
        ------
        NotNow
            When no camera is connected.
        CameraError
            When it does not answer.
        """
        state = self._state()
        frames, settings = self._roll.frames(), self._bench.settings
        job = Job(
            sum(f.state is FrameState.OPEN for f in frames),
            self._roll.raw_bytes(settings.storage.raw_bytes),
        )
        lines = check_camera(
            state, job, settings.bench, now=self._time(), strobe=self._bench.strobe
        )
        model = printable(self._camera.connected().identity.model, 40)
        return CheckedCamera(model, lines, self._to_put_back())

    def set_up(self, lines: Sequence[CheckResult]) -> tuple[str, ...]:
        """Set what the lines want; return what there is to say about each.

        The old values are stored first. A setting that the camera refuses is said, and the
        others are set nevertheless.

        Raises
        ------
        CameraError
            When the camera is lost.
        """
        wanted = {x.role: x.wanted for x in lines if x.role is not None and x.wanted}
        state = self._state()
        found = self._found()
        for role in wanted:
            if role.value not in found and (was := self._as_found(state, role)) is not None:
                found[role.value] = was
        self._remember(found)
        said = []
        for role in (role for role in Role if role in wanted):
            value = str(int(self._time())) if wanted[role] == CLOCK_VALUE else wanted[role]
            before = state.value(role) or ""
            said.append(self._set(role, value, before)[1])
        self._camera.refresh()
        return tuple(said)

    def put_back(self) -> tuple[str, ...]:
        """Set everything back to what was found; return what there is to say about each.

        Raises
        ------
        NotNow
            When nothing was changed from here.
        CameraError
            When the camera is lost; what is not put back yet stays remembered.
        """
        found = self._found()
        changed = [role for role in Role if role.value in found]
        if not changed:
            raise NotNow("The program has changed nothing on this camera.")
        state = self._state()
        said = []
        for role in reversed(changed):
            value = found[role.value]
            if role is Role.CLOCK:
                value = str(int(self._time() + float(value)))
            done, text = self._set(role, value, state.value(role) or "")
            said.append(text)
            if done:
                del found[role.value]
                self._remember(found)
        self._camera.refresh()
        return tuple(said)

    def _state(self) -> CameraState:
        state = self._camera.refresh()
        if state is None:
            raise NotNow("No camera is connected.", todo="Connect it, then check again.")
        return state

    def _set(self, role: Role, value: str, before: str) -> tuple[bool, str]:
        """Set one value; return whether the camera took it, and a sentence about it."""
        try:
            now = self._camera.connected().set(role, value).value
        except CameraRefused as error:
            text = f"The {role.noun} was not set: {error}"
            self._log(text)
            return False, text
        old, new = (
            ("its own time", "the new time")
            if role is Role.CLOCK
            else (printable(before, 40), printable(now, 40))
        )
        text = f"{role.noun}: {old} → {new}"
        done = now == value or role is Role.CLOCK
        if not done:
            text += f" (wanted: {printable(value, 40)})"
        self._log(text)
        return done, text

    def _log(self, text: str) -> None:
        self._roll.log("camera", text)

    def _time(self) -> float:
        """Return the computer's time in seconds since 1970."""
        return self._roll.archive.clock().timestamp()

    # --- what was found ----------------------------------------------------------------------

    @property
    def _key(self) -> str:
        return f"camera as found: {self._camera.key}"

    def _as_found(self, state: CameraState, role: Role) -> str | None:
        if role is Role.CLOCK:
            # A clock goes on: what can be put back is by how much it was ahead.
            ahead = clock_ahead(state.settings.get(role), self._time())
            return None if ahead is None else f"{ahead:.0f}"
        return state.value(role)

    def _found(self) -> dict[str, str]:
        """Return what was found, by the role's stored word; a newer program knows more roles."""
        try:
            found = dict(parsed_json(self._roll.store.fact(self._key) or "{}"))
        except (ValueError, TypeError):
            return {}
        return {role: value for role, value in found.items() if isinstance(value, str)}

    def _remember(self, found: Mapping[str, str]) -> None:
        self._roll.store.set_fact(self._key, json.dumps(found) if found else None)

    def _to_put_back(self) -> tuple[tuple[Role, str], ...]:
        found = self._found()
        return tuple(
            (role, _ahead(float(value)) if role is Role.CLOCK else printable(value, 40))
            for role in Role
            if (value := found.get(role.value)) is not None
        )


def _ahead(seconds: float) -> str:
    return f"{abs(seconds):.0f} s {'ahead' if seconds > 0 else 'behind'}"
