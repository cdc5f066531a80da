"""The shutter lent to a test: noted before it is moved, put back after, found again after a stop.

Where it stood is stored in the archive before the camera is touched, by camera and not by roll: a
program that was killed in between finds it at its next start, whatever roll that is for.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

from tether.archive.open_roll import OpenRoll
from tether.archive.store import Store
from tether.camera.protocol import Role, Setting
from tether.camera.values import nearest_shutter, same_time, shutter_seconds
from tether.capture.tethered import Tethered
from tether.errors import TetherError
from tether.text import parsed_json, printable


@dataclass(frozen=True, slots=True)
class DisplacedShutter:
    """A shutter that does not stand where it stood before a test that was interrupted.

    ``was`` and ``now`` are the camera's own wording, ``test`` what it was lent to.
    """

    was: str
    now: str
    test: str

    def sentence(self) -> str:
        """Say where the shutter was and is, for the screen and the log."""
        return (
            f"The {printable(self.test, 40)} was cut short and left the shutter at "
            f"{printable(self.now, 20)} ({printable(self.was, 20)} before)."
        )


def displaced(store: Store, camera: Tethered) -> DisplacedShutter | None:
    """Return where the shutter stood before an interrupted test, None where all is as it was.

    A note of a shutter that stands right again is removed.
    """
    noted = _noted(store, camera)
    now = camera.state.value(Role.SHUTTER) if camera.state else None
    if noted is None or now is None:
        return None
    was, test = noted
    if was == now:
        forget(store, camera)
        return None
    return DisplacedShutter(was, now, test)


def forget(store: Store, camera: Tethered) -> None:
    """Leave the shutter where it is: the person wants it there."""
    store.set_fact(_key(camera), None)


def put_back(roll: OpenRoll, camera: Tethered) -> str:
    """Put the shutter back to where it stood before an interrupted test; return that setting.

    Raises
    ------
    TetherError
        When nothing is noted, or the camera does not take it. The note stays then.
    """
    noted = _noted(roll.store, camera)
    if noted is None or camera.camera is None:
        raise TetherError("The shutter is as it was; there is nothing to put back.")
    was, _ = noted
    camera.camera.set(Role.SHUTTER, was)
    state = camera.refresh()
    now = state.value(Role.SHUTTER) if state else None
    if now != was:
        raise TetherError(
            f"The camera did not take {printable(was, 20)}: its shutter is at "
            f"{printable(now or 'an unknown time', 20)}.",
            todo=f"Set it to {printable(was, 20)} on the camera.",
        )
    forget(roll.store, camera)
    roll.log("camera", f"Shutter put back to {printable(was, 20)}")
    return was


def as_taken(setting: Setting | None, seconds: float | None) -> Setting | None:
    """Return a shutter setting as the raw file of an exposure speaks of it.

    A driver may give for seconds what it has read before: a dial that was turned meanwhile then
    shows only in the file, whose ``seconds`` these are.
    """
    stated = shutter_seconds(setting.value) if setting else None
    if setting is None or not seconds or not stated:
        return setting
    if same_time(seconds, stated):
        return setting
    return replace(setting, value=nearest_shutter(setting.choices, seconds) or setting.value)


class LentShutter:
    """A shutter that a test may move. Call `put_back` in the end, whatever happened.

    Parameters
    ----------
    roll, camera
        The roll whose log tells of it, and the camera, which is connected.
    test
        What it is lent to, in words.
    """

    def __init__(self, roll: OpenRoll, camera: Tethered, test: str) -> None:
        self._roll = roll
        self._camera = camera
        self._test = test
        self.before = self.now()
        self._moved = False

    def correct_from_file(self, seconds: float | None) -> None:
        """Correct where it stood by a raw file's exposure time, while it was not moved yet.

        See `as_taken`: it is put back to where it really stood.
        """
        if not self._moved:
            self.before = as_taken(self.before, seconds)

    def now(self) -> Setting | None:
        """Read how the shutter stands; None where the camera has no such setting."""
        state = self._camera.refresh()
        return state.settings.get(Role.SHUTTER) if state else None

    @property
    def movable(self) -> bool:
        """Whether the camera lets it be set from here."""
        return self.before is not None and not self.before.readonly

    def set(self, value: str) -> None:
        """Move it; where it stood is stored first.

        Raises
        ------
        CameraError
            When the camera does not take the setting.
        """
        assert self.before is not None, "a camera without a shutter setting has none to move"
        store = self._roll.store
        if _noted(store, self._camera) is None:
            # A note that an earlier interruption left says where it really belongs: it stays.
            noted = {"was": self.before.value, "test": self._test, "at": store.stamp()}
            store.set_fact(_key(self._camera), json.dumps(noted))
        self._moved = True
        self._camera.connected().set(Role.SHUTTER, value)

    def put_back(self) -> str:
        """Set it to where it was; return what there is to say, "" when it stands there now.

        One that was not moved is not touched.
        """
        before = self.before
        if before is None or not self._moved:
            return ""
        now = None
        try:
            now = self.now()
            if now is not None and now.value != before.value:
                self._camera.connected().set(Role.SHUTTER, before.value)
                now = self.now()
        except TetherError as error:
            self._roll.log("camera", f"{_elsewhere(before)} {error}")
            now = None
        if now is None or now.value != before.value:
            return _elsewhere(before)
        noted = _noted(self._roll.store, self._camera)
        if noted is not None and noted[0] == before.value:
            forget(self._roll.store, self._camera)
        return ""


def _elsewhere(before: Setting) -> str:
    return f"The shutter was not put back: it was at {printable(before.value, 20)} before."


def _key(camera: Tethered) -> str:
    return f"shutter of {camera.key}"


def _noted(store: Store, camera: Tethered) -> tuple[str, str] | None:
    """Read a note as (where the shutter stood, what it was lent to)."""
    stored = store.fact(_key(camera))
    if stored is None:
        return None
    try:
        facts = parsed_json(stored)
        return str(facts["was"]), str(facts["test"])
    except (ValueError, KeyError, TypeError):
        return None
