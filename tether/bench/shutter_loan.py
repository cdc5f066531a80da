"""The shutter lent to a test: noted before it is moved, put back after, found again after a stop.

Where it stood is stored in the archive before the camera is touched, by camera and not by roll: a
program that was killed in between finds it at its next start, whatever roll that is for.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tether.archive.store import Store
from tether.camera.protocol import CameraState, Role, Setting
from tether.camera.values import nearest_shutter, same_time, shutter_seconds
from tether.errors import TetherError
from tether.text import printable

if TYPE_CHECKING:
    from tether.session.core import Core


@dataclass(frozen=True, slots=True)
class Displaced:
    """A shutter that does not stand where it stood before a test that was interrupted.

    ``was`` and ``stands`` are the camera's own wording.
    """

    was: str
    stands: str
    test: str

    def sentence(self) -> str:
        """Say it."""
        return (
            f"The {printable(self.test, 40)} was interrupted: the shutter stands at "
            f"{printable(self.stands, 20)}; before, it stood at {printable(self.was, 20)}."
        )


def displaced(store: Store, camera_key: str, state: CameraState | None) -> Displaced | None:
    """Return where the shutter stood before an interrupted test, None where all is as it was.

    A note of a shutter that stands right again is removed.
    """
    noted = _noted(store, camera_key)
    stands = state.value(Role.SHUTTER) if state else None
    if noted is None or stands is None:
        return None
    was, test = noted
    if was == stands:
        store.set_fact(_key(camera_key), None)
        return None
    return Displaced(was, stands, test)


def forget(store: Store, camera_key: str) -> None:
    """Leave the shutter where it is: the person wants it there."""
    store.set_fact(_key(camera_key), None)


def put_back(session: Core) -> str:
    """Put the shutter back to where it stood before an interrupted test; return that setting.

    Raises
    ------
    TetherError
        When nothing is noted, or the camera does not take it. The note stays then.
    """
    noted = _noted(session.store, session.camera_key)
    if noted is None or session.camera is None:
        raise TetherError("The shutter stands as it was; there is nothing to put back.")
    was, _ = noted
    session.camera.set(Role.SHUTTER, was)
    session.refresh_camera()
    stands = session.camera_state.value(Role.SHUTTER) if session.camera_state else None
    if stands != was:
        raise TetherError(
            f"The camera did not take {printable(was, 20)}: its shutter stands at "
            f"{printable(stands or 'an unknown time', 20)}.",
            todo=f"Set it to {printable(was, 20)} on the camera.",
        )
    forget(session.store, session.camera_key)
    session.store.journal.log(
        "camera", f"Shutter put back to {printable(was, 20)}", session.roll.id
    )
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
    session
        With a connected camera.
    test
        What it is lent to, in words.
    """

    def __init__(self, session: Core, test: str) -> None:
        self._session = session
        self._test = test
        self.before = self.now()
        self._moved = False

    def believe(self, seconds: float | None) -> None:
        """Take note of a raw file's exposure time, before the shutter was moved for the first time.

        See `as_taken`: it is put back to where it really stood.
        """
        if not self._moved:
            self.before = as_taken(self.before, seconds)

    def now(self) -> Setting | None:
        """Read how the shutter stands; None where the camera has no such setting."""
        state = self._session.refresh_camera()
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
        session = self._session
        assert session.camera is not None, "lent by a connected camera"
        assert self.before is not None, "a camera without a shutter setting has none to move"
        if _noted(session.store, session.camera_key) is None:
            # A note that an earlier stop left says where it really belongs: that one stays.
            noted = {
                "was": self.before.value,
                "test": self._test,
                "at": self._session.store.stamp(),
            }
            session.store.set_fact(_key(session.camera_key), json.dumps(noted))
        self._moved = True
        session.camera.set(Role.SHUTTER, value)

    def put_back(self) -> str:
        """Set it to where it was; return what there is to say, "" when it stands there now.

        One that was not moved is not touched.
        """
        session, before = self._session, self.before
        if before is None or not self._moved:
            return ""
        stands = None
        try:
            if session.camera is None:
                raise TetherError("No camera is connected.")
            now_set = self.now()
            if now_set is not None and now_set.value != before.value:
                session.camera.set(Role.SHUTTER, before.value)
                now_set = self.now()
            stands = now_set.value if now_set else None
        except TetherError as error:
            session.store.journal.log("camera", f"{self._elsewhere()} {error}", session.roll.id)
        if stands != before.value:
            return self._elsewhere()
        noted = _noted(session.store, session.camera_key)
        if noted is not None and noted[0] == before.value:
            forget(session.store, session.camera_key)
        return ""

    def _elsewhere(self) -> str:
        was = printable(self.before.value, 20) if self.before else ""
        return f"The shutter was not put back: it stood at {was}."


def _key(camera_key: str) -> str:
    return f"shutter of {camera_key}"


def _noted(store: Store, camera_key: str) -> tuple[str, str] | None:
    """Read a note as (where the shutter stood, what it was lent to)."""
    stored = store.fact(_key(camera_key))
    if stored is None:
        return None
    try:
        facts = json.loads(stored)
        return str(facts["was"]), str(facts["test"])
    except (ValueError, KeyError, TypeError):
        return None
