"""Firing the shutter, and gathering the files that come of it.

Two ways of firing exist. ``gp_camera_capture`` throws away events that are waiting (a picture
made with the camera's own button is then lost) and, on most drivers, names only the last of
several new files (read in ``camlibs/ptp2/library.c``: the loop "draining unhandled event" and
``path`` at the end of ``camera_capture``). ``gp_camera_trigger_capture`` followed by
``gp_camera_wait_for_event`` reports every file, so it is used wherever the camera has it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Sequence

from tether.camera.card import Card, Key
from tether.camera.connection import KEPT_CARD, NOT_SUPPORTED, TWO_OF_ONE_NAME, Connection
from tether.camera.errors import KEEP_CARD, BatteryLow, CameraRefused, CardFull
from tether.camera.protocol import CardFile, Role
from tether.camera.settings_access import SettingsAccess
from tether.camera.values import ImageFormat
from tether.settings import CameraLimits

STORE_FULL = "ptp event 400a"
"""How libgphoto2 words the event StoreFull (ISO 15740, event code 0x400A)."""

LONGEST_WAIT = 1.0
SHORTEST_WAIT = 0.02
"""Seconds: bounds of one wait for an event. Some drivers return from it at once."""

MOST_WAITING = 1000
"""Events taken in one go; a camera that reports its every change never falls silent."""


class _Release:
    """One release: what came ``earlier``, how many files it makes, and until when to wait.

    ``wanted`` is None where the image format does not say.
    """

    def __init__(
        self, wanted: int | None, earlier: list[CardFile], shutter: float, limits: CameraLimits
    ) -> None:
        self.wanted, self.earlier = wanted, earlier
        self.last = time.monotonic()
        self.deadline = self.last + limits.capture_seconds + shutter
        # Noise reduction by a second, dark exposure doubles the time.
        self._patience = 2 * shutter + limits.lost_event_seconds
        self.search_at = min(self.deadline, self.last + self._patience)

    def search_again(self) -> bool:
        """Wait twice as long for the next search; return whether the time is over."""
        now = time.monotonic()
        self._patience *= 2
        self.search_at = min(self.deadline, now + self._patience)
        return now >= self.deadline


class Exposures:
    """The pictures that a camera makes, fired from here or by its own button."""

    def __init__(
        self, link: Connection, settings: SettingsAccess, card: Card, limits: CameraLimits
    ) -> None:
        self._link = link
        self._settings = settings
        self._card = card
        self._limits = limits
        self._waiting: list[CardFile] = []
        self._delivered: dict[Key, CardFile] = {}
        self._known: set[Key] | None = None
        self._complete = self._full = self._listed = False
        self._release: _Release | None = None
        self._triggers = True

    def ready(self) -> float:
        """Check that a capture may be started; return its shutter time, 0 where not known.

        Raises `BatteryLow` below the stated level.
        """
        percent = self._settings.reading(Role.BATTERY)
        if percent is not None and percent < self._limits.battery_percent:
            raise BatteryLow(
                f"The camera's battery is at {percent:g} %. Below "
                f"{self._limits.battery_percent:g} % the program does not fire.",
                kept="No picture was taken. Everything so far is kept.",
                todo="Change the battery or connect mains power, then shoot this frame.",
            )
        return self._settings.reading(Role.SHUTTER) or 0.0

    def survey(self) -> None:
        """Note what is there before the shutter is fired: on the card, and waiting."""
        with self._link.doing("looking for earlier pictures"):
            self._see_what_is_there()
            self.drain()

    def fire(self, shutter: float) -> None:
        """Fire, for an exposure of ``shutter`` seconds. `look` and `search` bring what comes of it.

        Raises `CameraRefused` when the camera does not fire.
        """
        earlier, self._waiting = self._waiting, []
        self._complete = self._full = False
        self._release = _Release(self._files_expected(), earlier, shutter, self._limits)
        with self._bringing_back(), self._link.doing("firing the shutter"):
            self._fire()

    def look(self) -> Sequence[CardFile] | None:
        """Look for the files of what was fired, for `LONGEST_WAIT`; None while there are none.

        Also None at the camera's first news of them, see `exposed`.

        Raises
        ------
        CardFull
            When the card ran full over it.
        """
        with self._bringing_back(), self._link.doing("waiting for the picture"):
            return self._ended() if self._collect(self._fired) else None

    @property
    def exposed(self) -> bool:
        """Whether the exposure is over for certain: the camera told of a file, or of its end."""
        return self._complete or bool(self._waiting)

    @property
    def overdue(self) -> bool:
        """Whether so long no news has come that the card is worth a search."""
        return time.monotonic() >= self._fired.search_at

    def search(self) -> Sequence[CardFile] | None:
        """Look on the card for a picture whose news was lost; None while one may still come.

        Raises
        ------
        CameraRefused
            When there is none, and the time for one is over.
        """
        with self._bringing_back():
            self._look_on_card()
            over = self._fired.search_again()
            # A second file may be on its way still; how long it is waited for, `look` knows.
            enough = len(self._waiting) >= (self._fired.wanted or 1)
            return self._ended() if over or enough else None

    @property
    def _fired(self) -> _Release:
        assert self._release is not None, "the shutter is fired first"
        return self._release

    @contextlib.contextmanager
    def _bringing_back(self) -> Iterator[None]:
        """Whatever goes wrong with a release, keep what came before it.

        That belongs to the camera's own button.
        """
        try:
            yield
        except BaseException:
            if self._release is not None:
                self._waiting, self._release = self._release.earlier, None
            raise

    def _ended(self) -> Sequence[CardFile]:
        files, full = self._waiting, self._full
        self._waiting, self._release = self._fired.earlier, None
        if files:
            return files
        if full:
            raise CardFull(
                "The card ran full during this exposure, and no picture arrived.",
                kept=KEPT_CARD,
                todo=f"Put in an empty card and shoot this frame again. {KEEP_CARD}",
            )
        raise CameraRefused(
            "The shutter fired, but no picture arrived.",
            kept=KEPT_CARD,
            todo="Check the camera's display, the focus switch, the card and the lens. Then shoot "
            "this frame again.",
        )

    def _see_what_is_there(self) -> None:
        """Note what is on the card, where that is not known yet.

        On a card that cannot be listed it stays unknown: pictures can still be made, only
        one whose news is lost cannot be found.
        """
        if self._known is not None:
            return
        try:
            self._known = set(self._names())
        except self._link.gp.GPhoto2Error as error:
            if error.code != TWO_OF_ONE_NAME:
                raise

    def _names(self) -> list[Key]:
        self._listed = True
        return list(self._card.names())

    def _look_afresh(self) -> None:
        """Make the next listing one of the card as it is now.

        The library remembers every folder that it has listed, and a picture whose event was lost
        is not in it (seen with libgphoto2 2.5.34); also half of one that it could not list.
        """
        if self._listed:
            self._link.reopen()
            self._settings.prepare()
            self._listed = False

    def _files_expected(self) -> int | None:
        kind: ImageFormat | None = self._settings.reading(Role.IMAGE_FORMAT)
        return kind.files if kind else None

    def _fire(self) -> None:
        link = self._link
        if self._triggers:
            try:
                link.camera.trigger_capture(link.context)
            except link.gp.GPhoto2Error as error:
                if error.code != NOT_SUPPORTED:
                    raise
                self._triggers = False
            else:
                return
        path = link.camera.capture(link.gp.GP_CAPTURE_IMAGE, link.context)
        self._complete = True
        self._add(path.folder, path.name)

    def _collect(self, release: _Release) -> bool:
        """Take events for a while; return whether the pictures are there and the camera is quiet.

        Also True when the card is full, and no picture came.
        """
        limits = self._limits
        until = time.monotonic() + LONGEST_WAIT
        while True:
            now, got = time.monotonic(), len(self._waiting)
            if got:
                wanted = release.wanted
                enough = self._complete if wanted is None else got >= wanted
                if enough and wanted is not None and self._complete:
                    return True
                patience = limits.quiet_seconds if enough else limits.second_file_seconds
                left = release.last + patience - now
                if left <= 0:
                    return True
            else:
                left = release.search_at - now
                if left <= 0 or self._full:
                    return self._full
            if now >= until:
                return False
            exposed = self.exposed
            event = self._event(min(left, until - now))
            if len(self._waiting) > got or event == self._link.gp.GP_EVENT_CAPTURE_COMPLETE:
                release.last = time.monotonic()
            if self.exposed and not exposed:
                return False

    def _event(self, seconds: float) -> int:
        """Take one event, keep what it brings, return its kind."""
        link, gp = self._link, self._link.gp
        seconds = min(seconds, LONGEST_WAIT)
        until = time.monotonic() + min(seconds, SHORTEST_WAIT)
        try:
            kind, data = link.camera.wait_for_event(max(1, int(seconds * 1000)), link.context)
        except gp.GPhoto2Error as error:
            # An event about a file that the driver cannot look up; the card is looked at later.
            if link.breaks(error) or error.code == NOT_SUPPORTED:
                raise
            kind, data = gp.GP_EVENT_TIMEOUT, None
        if kind == gp.GP_EVENT_FILE_ADDED:
            self._add(data.folder, data.name)
        elif kind == gp.GP_EVENT_CAPTURE_COMPLETE:
            self._complete = True
        elif kind == gp.GP_EVENT_UNKNOWN and str(data).lower().startswith(STORE_FULL):
            self._full = True
        elif kind == gp.GP_EVENT_TIMEOUT and (left := until - time.monotonic()) > 0:
            time.sleep(left)
        return int(kind)

    def drain(self) -> None:
        """Keep what is waiting already: calls that follow may throw events away."""
        for _ in range(MOST_WAITING):
            if self._event(0.001) == self._link.gp.GP_EVENT_TIMEOUT:
                return

    def _add(self, folder: str, name: str) -> None:
        file = self._card.describe(folder, name)
        key = (folder, name)
        # The same name with another size or time is a new file: some cameras start counting again.
        if self._delivered.get(key) == file:
            return
        self._delivered[key] = file
        if self._known is not None:
            self._known.add(key)
        self._waiting.append(file)

    def _look_on_card(self) -> None:
        """Find a picture whose event was lost: it is on the card and was not there before."""
        self._look_afresh()
        with self._link.doing("looking on the card for the picture"):
            now = set(self._names())
            self._add_new(now)
        self._known = now

    def _add_new(self, now: set[Key]) -> None:
        """Take what is on the card and was not there before like a picture that an event named."""
        if self._known is not None:
            for folder, name in sorted(now - self._known):
                self._add(folder, name)

    def wait(self, seconds: float) -> Sequence[CardFile]:
        """See `Camera.wait_for_files`. Returns once files have come and no more follow."""
        with self._link.doing("waiting for the camera's own pictures"):
            self.drain()
            quiet = self._limits.quiet_seconds
            until = time.monotonic() + (quiet if self._waiting else seconds)
            while (left := until - time.monotonic()) > 0:
                got = len(self._waiting)
                self._event(left)
                if len(self._waiting) > got:
                    until = time.monotonic() + quiet
        files, self._waiting = self._waiting, []
        return files

    def list_files(self) -> Sequence[CardFile]:
        """See `Camera.list_files`. Events that are waiting stay for `wait`.

        A picture that no event named is kept for `wait` as well.
        """
        with self._link.doing("listing the card"):
            self.drain()
        self._look_afresh()
        with self._link.doing("listing the card"):
            files = [self._card.describe(folder, name) for folder, name in self._names()]
            now = {(file.folder, file.name) for file in files}
            self._add_new(now)
        self._known = now
        return files
