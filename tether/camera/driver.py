"""The camera over libgphoto2. Lives in a process of its own; see `tether.camera.process`.

Two ways of firing exist. ``gp_camera_capture`` throws away events that are waiting (a picture
made with the camera's own button is then lost) and, on most drivers, names only the last of
several new files (read in ``camlibs/ptp2/library.c``: the loop "draining unhandled event" and
``path`` at the end of ``camera_capture``). ``gp_camera_trigger_capture`` followed by
``gp_camera_wait_for_event`` reports every file, so it is used wherever the camera has it.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from tether.camera import roles, values, widgets
from tether.camera.errors import (
    BatteryLow,
    CameraError,
    CameraLost,
    CameraRefused,
    CardFull,
    FileUnavailable,
)
from tether.camera.protocol import CameraIdentity, CameraState, CardFile, Role, Setting
from tether.camera.refusals import (
    IO_WRITE,
    KEPT_CARD,
    LOST,
    NOT_SUPPORTED,
    explain,
    explain_connecting,
)
from tether.settings import CameraLimits

SIZE_NOT_STATED = 0xFFFFFFFF
"""PTP's way of saying that an object's size does not fit its 32 bits (ISO 15740)."""

STORE_FULL = "ptp event 400a"
"""How libgphoto2 words the event StoreFull (ISO 15740, event code 0x400A)."""

DEEPEST_FOLDER = 12
"""Folders below this depth are not looked into; a card has three or four."""

Key = tuple[str, str]


class GphotoDriver:
    """One connected camera. Implements `tether.camera.protocol.Camera`.

    Parameters
    ----------
    port
        Port to connect to, None for the first camera found.
    limits
        How long to wait for what.

    Raises
    ------
    NoCamera, CameraClaimed
        When no connection can be made.
    """

    def __init__(self, port: str | None, limits: CameraLimits) -> None:
        import gphoto2  # starts the driver's library: only in the driver's own process

        self._gp: Any = gphoto2
        self._limits = limits
        self._said = ""
        self._context = gphoto2.Context()
        # The callback lasts as long as what this returns is kept.
        self._listener = self._context.set_error_func(self._note, None)
        self._port = port
        self._camera: Any = None
        self._waiting: list[CardFile] = []
        self._delivered: dict[Key, CardFile] = {}
        self._known: set[Key] | None = None
        self._complete = self._full = False
        self._triggers = True
        self._open()
        self._names = self._config_names()
        self._candidates = roles.candidates(self._names)
        self.identity = self._identify()
        self._prepare()

    def _note(self, _context: object, text: bytes | str, _data: object) -> None:
        self._said = text.decode(errors="replace") if isinstance(text, bytes) else text

    def _open(self) -> None:
        gp = self._gp
        try:
            camera = gp.Camera()
            if self._port is not None:
                ports = gp.PortInfoList()
                ports.load()
                camera.set_port_info(ports[ports.lookup_path(self._port)])
                if not self._port.startswith("usb:"):
                    abilities = gp.CameraAbilitiesList()
                    abilities.load()
                    model = abilities.lookup_model("PTP/IP Camera")
                    camera.set_abilities(abilities[model])
            camera.init(self._context)
        except gp.GPhoto2Error as error:
            raise explain_connecting(error.code, error.string, self._port) from None
        self._camera = camera

    @contextlib.contextmanager
    def _doing(self, what: str) -> Iterator[None]:
        self._said = ""
        try:
            yield
        except self._gp.GPhoto2Error as error:
            raise explain(error.code, error.string, what, self._said) from None

    # -- settings -----------------------------------------------------------------------------

    def _config_names(self) -> tuple[str, ...]:
        with self._doing("reading which settings the camera has"):
            try:
                return tuple(name for name, _ in self._camera.list_config(self._context).items())
            except self._gp.GPhoto2Error as error:
                if error.code != NOT_SUPPORTED:
                    raise
                return ()

    def _widget(self, name: str) -> Any:
        """Return a widget, None where the camera lists it and does not answer for it."""
        try:
            return self._camera.get_single_config(name, self._context)
        except self._gp.GPhoto2Error as error:
            if error.code in LOST:
                raise
            return None

    def _setting(self, role: Role) -> Setting | None:
        for name in self._candidates.get(role, ()):
            widget = self._widget(name)
            if widget is not None:
                return widgets.read(widget, self._gp, role, name)
        return None

    def _text(self, *names: str) -> str:
        for name in names:
            if name in self._names:
                widget = self._widget(name)
                value = widget.get_value() if widget is not None else None
                if value:
                    return str(value).strip()
        return ""

    def _identify(self) -> CameraIdentity:
        with self._doing("asking the camera for its name"):
            model = self._camera.get_abilities().model
            if not (self._port or "usb:").startswith("usb:"):
                model = self._text(roles.MODEL) or model
            return CameraIdentity(
                model=str(model),
                port=str(self._camera.get_port_info().get_path()),
                serial=self._text(*roles.SERIAL),
                maker=self._text(roles.MAKER),
            )

    def _prepare(self) -> None:
        """Have pictures kept on the card, and no focusing before each exposure.

        Focus at the copying bench is set once by hand. A camera that refuses either is left as
        it is; `state` reports where pictures go.
        """
        with contextlib.suppress(CameraRefused):
            self._keep_on_card()
        if roles.AUTOFOCUS in self._names:
            with contextlib.suppress(CameraRefused), self._doing("switching autofocus off"):
                widget = self._widget(roles.AUTOFOCUS)
                if widget is not None and "Off" in tuple(widget.get_choices()):
                    widget.set_value("Off")
                    self._camera.set_single_config(roles.AUTOFOCUS, widget, self._context)

    def _keep_on_card(self) -> None:
        with self._doing("asking where the camera puts its pictures"):
            target = self._setting(Role.CAPTURE_TARGET)
        if target is None or target.readonly:
            return
        now = values.capture_target(target.value)
        if now is not None and now.keeps:
            return
        for choice in target.choices:
            if values.capture_target(choice) is values.CaptureTarget.CARD:
                self.set(Role.CAPTURE_TARGET, choice)
                return

    def who(self) -> CameraIdentity:
        """Return `identity`, for a caller in another process."""
        return self.identity

    def state(self) -> CameraState:
        """See `Camera.state`."""
        with self._doing("reading the camera's settings"):
            found = {role: self._setting(role) for role in self._candidates}
        settings = {role: setting for role, setting in found.items() if setting is not None}
        battery = settings.get(Role.BATTERY)
        target = settings.get(Role.CAPTURE_TARGET)
        kind = values.capture_target(target.value) if target else None
        free_bytes, free_images = self._room()
        return CameraState(
            settings,
            battery_percent=values.battery_percent(battery.value) if battery else None,
            free_bytes=free_bytes,
            free_images=free_images,
            keeps_pictures=kind.keeps if kind else None,
        )

    def _room(self) -> tuple[int | None, int | None]:
        gp = self._gp
        try:
            stores = self._camera.get_storageinfo(self._context)
        except gp.GPhoto2Error as error:
            if error.code in LOST:
                raise explain(
                    error.code, error.string, "asking for the card's room", self._said
                ) from None
            return None, None
        kilobytes = [s.freekbytes for s in stores if s.fields & gp.GP_STORAGEINFO_FREESPACEKBYTES]
        images = [s.freeimages for s in stores if s.fields & gp.GP_STORAGEINFO_FREESPACEIMAGES]
        return (
            sum(kilobytes) * 1024 if kilobytes else None,
            sum(images) if images else None,
        )

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`."""
        with self._doing(f"setting the {role} to {value}"):
            before = self._setting(role)
            if before is None:
                raise CameraRefused(
                    f"The camera has no setting for the {role} that can be reached from here.",
                    kept="Nothing was changed.",
                    todo="Set it on the camera.",
                )
            if before.readonly or (before.choices and value not in before.choices):
                offered = ", ".join(before.choices[:40]) or "nothing"
                raise CameraRefused(
                    f"The camera does not take {value} for the {role} ({before.name})."
                    if not before.readonly
                    else f"The {role} ({before.name}) can only be changed on the camera itself.",
                    kept=f"It still stands at {before.value}.",
                    todo=f"It offers: {offered}." if not before.readonly else "Turn the dial.",
                )
            widget = self._camera.get_single_config(before.name, self._context)
            try:
                widgets.write(widget, self._gp, value)
            except ValueError:
                raise CameraRefused(
                    f"The {role} ({before.name}) takes a number, not {value}.",
                    kept=f"It still stands at {before.value}.",
                ) from None
            self._camera.set_single_config(before.name, widget, self._context)
            return self._setting(role) or before

    # -- files --------------------------------------------------------------------------------

    def list_files(self) -> Sequence[CardFile]:
        """See `Camera.list_files`."""
        with self._doing("listing the card"):
            self._drain()
            files = [self._describe(folder, name) for folder, name in self._walk("/")]
        self._known = {(file.folder, file.name) for file in files}
        return files

    def _walk(self, folder: str, depth: int = 0) -> Iterator[Key]:
        names = [name for name, _ in self._camera.folder_list_files(folder, self._context).items()]
        yield from ((folder, name) for name in names)
        below = [
            name for name, _ in self._camera.folder_list_folders(folder, self._context).items()
        ]
        if depth < DEEPEST_FOLDER:
            for name in sorted(below):
                yield from self._walk(f"{folder.rstrip('/')}/{name}", depth + 1)

    def _describe(self, folder: str, name: str) -> CardFile:
        gp = self._gp
        try:
            info = self._camera.file_get_info(folder, name, self._context).file
        except gp.GPhoto2Error as error:
            if error.code in LOST:
                raise
            return CardFile(folder, name)
        has_size = info.fields & gp.GP_FILE_INFO_SIZE and info.size != SIZE_NOT_STATED
        has_time = info.fields & gp.GP_FILE_INFO_MTIME and info.mtime > 0
        return CardFile(
            folder,
            name,
            size=int(info.size) if has_size else None,
            modified=int(info.mtime) if has_time else None,
        )

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`. The driver writes each block to the file as it arrives."""
        gp = self._gp
        kept = f"What came over is in {destination}; the original is still in the camera."
        try:
            descriptor = os.open(
                destination, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644
            )
        except FileExistsError:
            raise FileUnavailable(
                f"{destination} exists already and is not overwritten.",
                kept="The existing file and the one in the camera are untouched.",
                todo="Fetch to another name.",
            ) from None
        except OSError as error:
            raise FileUnavailable(
                f"{destination} cannot be written: {error.strerror}.",
                kept="The file is still in the camera.",
                todo="Check the folder and the room on the disk, then fetch again.",
            ) from None
        try:
            self._said = ""
            target = gp.check_result(gp.gp_file_new_from_fd(os.dup(descriptor)))
            self._camera.file_get(
                file.folder, file.name, gp.GP_FILE_TYPE_NORMAL, target, self._context
            )
            written = os.fstat(descriptor).st_size
        except gp.GPhoto2Error as error:
            if error.code == IO_WRITE:
                raise FileUnavailable(
                    f"{destination} could not be written to the end; the disk may be full.",
                    kept=kept,
                    todo="Make room on the disk, then fetch again.",
                ) from None
            failed = explain(error.code, error.string, f"fetching {file.name!r}", self._said)
            failed.kept = kept
            raise failed from None
        finally:
            os.close(descriptor)
        if file.size is not None and written != file.size:
            raise FileUnavailable(
                f"{file.name!r} came with {written} bytes where the camera says {file.size}.",
                kept=kept,
                todo="Fetch it again; if it comes short again, try another cable or port.",
            )
        return written

    # -- exposures ----------------------------------------------------------------------------

    def ready(self) -> float:
        """Check that a capture may be started; return its shutter time, 0 where not known.

        Raises `BatteryLow` below the stated level.
        """
        with self._doing("checking the camera before the capture"):
            battery = self._setting(Role.BATTERY)
            shutter = self._setting(Role.SHUTTER)
        percent = values.battery_percent(battery.value) if battery else None
        if percent is not None and percent < self._limits.battery_percent:
            raise BatteryLow(
                f"The camera's battery stands at {percent:g} %, below the "
                f"{self._limits.battery_percent:g} % at which a capture is started.",
                kept="No picture was started; everything so far is kept.",
                todo="Change the battery or connect mains power, then go on with this frame.",
            )
        return (values.shutter_seconds(shutter.value) if shutter else None) or 0.0

    def capture(self) -> Sequence[CardFile]:
        """See `Camera.capture`."""
        return self.release(self.ready())

    def release(self, shutter: float) -> Sequence[CardFile]:
        """Fire the shutter and collect what comes of it; ``shutter`` in seconds."""
        with self._doing("reading the image format"):
            wanted = self._files_expected()
        with self._doing("looking for earlier pictures"):
            if self._known is None:
                self._known = set(self._walk("/"))
            self._drain()
        earlier, self._waiting = self._waiting, []
        self._complete = self._full = False
        try:
            with self._doing("firing the shutter"):
                self._fire()
            deadline = time.monotonic() + self._limits.capture_seconds + shutter
            # Noise reduction by a second, dark exposure doubles the time.
            patience = 2 * shutter + self._limits.lost_event_seconds
            while not (self._waiting or self._full) and time.monotonic() < deadline:
                with self._doing("waiting for the picture"):
                    self._collect(wanted, min(deadline, time.monotonic() + patience))
                if not self._waiting:
                    self._look_on_card()
                patience *= 2
            files = self._waiting
        finally:
            # What came before belongs to the camera's own button, whatever became of this one.
            self._waiting = earlier
        if not files and self._full:
            raise CardFull(
                "The card ran full during this exposure, and no picture came of it.",
                kept=KEPT_CARD,
                todo="Check that its pictures have been delivered, change the card, then "
                "photograph this frame again.",
            )
        if not files:
            raise CameraRefused(
                "The shutter was fired and no picture came of it.",
                kept=KEPT_CARD,
                todo="Look at the camera's display: the focus switch, the card, the lens. "
                "Then photograph this frame again.",
            )
        return files

    def _files_expected(self) -> int | None:
        setting = self._setting(Role.IMAGE_FORMAT)
        kind = values.image_format(setting.value) if setting else None
        return kind.files if kind else None

    def _fire(self) -> None:
        gp = self._gp
        if self._triggers:
            try:
                self._camera.trigger_capture(self._context)
            except gp.GPhoto2Error as error:
                if error.code != NOT_SUPPORTED:
                    raise
                self._triggers = False
            else:
                return
        path = self._camera.capture(gp.GP_CAPTURE_IMAGE, self._context)
        self._complete = True
        self._add(path.folder, path.name)

    def _collect(self, wanted: int | None, nothing_by: float) -> None:
        """Take events until the pictures are there and the camera is quiet.

        ``wanted`` is how many files the image format makes, None where it does not say;
        ``nothing_by`` is the (monotonic) time at which to give up when no file has come.
        """
        limits = self._limits
        last = time.monotonic()
        while True:
            got = len(self._waiting)
            if got:
                enough = self._complete if wanted is None else got >= wanted
                patience = limits.quiet_seconds if enough else limits.second_file_seconds
                left = last + patience - time.monotonic()
            else:
                left = nothing_by - time.monotonic()
            if left <= 0 or (self._full and not got):
                return
            event = self._event(min(left, 1.0))
            if len(self._waiting) > got or event == self._gp.GP_EVENT_CAPTURE_COMPLETE:
                last = time.monotonic()

    def _event(self, seconds: float) -> int:
        """Take one event, keep what it brings, return its kind."""
        gp = self._gp
        try:
            kind, data = self._camera.wait_for_event(max(1, int(seconds * 1000)), self._context)
        except gp.GPhoto2Error as error:
            # An event about a file that the driver cannot look up; the card is looked at later.
            if error.code in LOST or error.code == NOT_SUPPORTED:
                raise
            return int(gp.GP_EVENT_UNKNOWN)
        if kind == gp.GP_EVENT_FILE_ADDED:
            self._add(data.folder, data.name)
        elif kind == gp.GP_EVENT_CAPTURE_COMPLETE:
            self._complete = True
        elif kind == gp.GP_EVENT_UNKNOWN and str(data).lower().startswith(STORE_FULL):
            self._full = True
        return int(kind)

    def _drain(self) -> None:
        """Keep what is waiting already: the calls that follow may throw events away."""
        for _ in range(1000):
            if self._event(0.001) == self._gp.GP_EVENT_TIMEOUT:
                return

    def _add(self, folder: str, name: str) -> None:
        file = self._describe(folder, name)
        key = (folder, name)
        # The same name with another size or time is a new file: some cameras count anew.
        if self._delivered.get(key) == file:
            return
        self._delivered[key] = file
        if self._known is not None:
            self._known.add(key)
        self._waiting.append(file)

    def _look_on_card(self) -> None:
        """Find a picture whose event was lost, as what is on the card and was not before.

        The driver remembers folders that it has listed, so the connection is made anew.
        """
        known = self._known or set()
        with self._doing("looking on the card for the picture"):
            with contextlib.suppress(self._gp.GPhoto2Error):
                self._camera.exit(self._context)
            try:
                self._open()
            except CameraError as error:
                raise CameraLost(error.what, kept=KEPT_CARD, todo=error.todo) from None
            self._known = set(self._walk("/"))
            for folder, name in sorted(self._known - known):
                self._add(folder, name)

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        """See `Camera.wait_for_files`. Returns early, once files have come and no more follow."""
        with self._doing("waiting for the camera's own pictures"):
            self._drain()
            until = time.monotonic() + seconds
            while (left := until - time.monotonic()) > 0:
                got = len(self._waiting)
                self._event(left)
                if len(self._waiting) > got:
                    until = time.monotonic() + self._limits.quiet_seconds
        files, self._waiting = self._waiting, []
        return files

    def preview(self) -> bytes:
        """See `Camera.preview`."""
        with self._doing("reading the live view"):
            frame = bytes(self._camera.capture_preview(None, self._context).get_data_and_size())
        if not frame.startswith(b"\xff\xd8"):
            raise CameraRefused(
                "The camera's live view sent something that is not a picture.",
                kept=KEPT_CARD,
                todo="Look through the camera's own display instead.",
            )
        return frame

    def close(self) -> None:
        """See `Camera.close`."""
        camera, self._camera = self._camera, None
        if camera is not None:
            with contextlib.suppress(self._gp.GPhoto2Error):
                camera.exit(self._context)
