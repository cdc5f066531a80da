"""A camera without a cable: `tether.camera.protocol.Camera` straight over a simulated body.

For tests of what lies above the driver. It raises the same errors as the driver does. Of the
fault script every fault of a picture works; of the connection's faults it counts one operation
for each call: SET_DEVICE_PROP_VALUE (with the property's code) for `set`, GET_DEVICE_PROP_VALUE
for `state`, INITIATE_CAPTURE, GET_OBJECT_HANDLES for `list_files`, GET_OBJECT (with the file's
handle) for `fetch`, GET_LIVE_VIEW_IMAGE for `preview`.

A card may hold two files that are described alike. `InProcessCamera.fetch` gives the one that was
announced last, as a device does that goes by its objects' handles. libgphoto2 goes by the names,
gives the first and refuses to list such a folder (2.5.34): ``by_name=True`` does as it does.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from tether.camera.errors import (
    BatteryLow,
    CameraLost,
    CameraRefused,
    CardFull,
    CardUnclear,
    FileUnavailable,
)
from tether.camera.protocol import CameraIdentity, CameraState, CardFile, Role, Setting
from tether.settings import CameraLimits
from tether_simulator.camera.body import Body, Refusal, Refused
from tether_simulator.camera.card import STORAGE, Item
from tether_simulator.camera.dials import DIALS
from tether_simulator.faults import DropConnection, Refuse, Slow, among
from tether_simulator.ptp import Event, Operation, Response

_BY_ROLE = {dial.role: dial for dial in DIALS.values()}
_KEPT = "Pictures that are already on the card stay there."
_PORT = "inprocess:"


class InProcessCamera:
    """A connection to a body. After a `CameraLost`, make a new one for the same body.

    ``limits`` gives the charge below which no capture is started; with ``by_name`` a file is
    looked up as libgphoto2 does.
    """

    def __init__(
        self, body: Body, limits: CameraLimits | None = None, *, by_name: bool = False
    ) -> None:
        self._body = body
        self._by_name = by_name
        self._announced: dict[CardFile, int] = {}
        self._limits = limits or CameraLimits()
        self._lost = False
        self._news = threading.Condition()
        self._waiting: list[int] = []
        self._full = False
        self._known = {item.handle for item in body.card.items()}
        self._unsubscribe = body.subscribe(self._hear)

    @property
    def identity(self) -> CameraIdentity:
        """See `Camera.identity`."""
        return CameraIdentity("Bench Camera", _PORT, "00000001", "Simulated")

    def state(self) -> CameraState:
        """See `Camera.state`."""
        self._pass(Operation.GET_DEVICE_PROP_VALUE)
        body = self._body
        settings = {role: self._setting(role) for role in _BY_ROLE}
        settings[Role.CAPTURE_TARGET] = Setting(
            Role.CAPTURE_TARGET, "target", "Memory card", ("Memory card",), readonly=True
        )
        settings[Role.BATTERY] = Setting(
            Role.BATTERY, "battery", f"{body.battery_shown}%", readonly=True
        )
        settings[Role.CLOCK] = Setting(Role.CLOCK, "clock", str(int(body.clock.timestamp())))
        return CameraState(
            settings,
            battery_percent=float(body.battery_shown),
            free_bytes=body.card.free,
            free_images=body.pictures_left(),
            keeps_pictures=True,
        )

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`. The battery, the clock and the capture target cannot be set."""
        dial = _BY_ROLE.get(role)
        if dial is None:
            raise CameraRefused(
                f"The {role} can only be changed on the camera itself.", kept="Nothing was changed."
            )
        numbers = {words: number for number, words in dial.words.items()}
        if value not in numbers:
            raise CameraRefused(
                f"The camera does not take {value} for the {role}.",
                kept=f"It is still at {self._setting(role).value}.",
                todo=f"It offers: {', '.join(numbers)}.",
            )
        self._pass(Operation.SET_DEVICE_PROP_VALUE, dial.code)
        self._body.turn(dial.code, numbers[value], by_hand=False)
        return self._setting(role)

    def list_files(self) -> Sequence[CardFile]:
        """See `Camera.list_files`."""
        self._pass(Operation.GET_OBJECT_HANDLES)
        found = [self._described(item) for item in self._files()]
        if self._by_name and len({(file.folder, file.name) for file in found}) < len(found):
            raise CardUnclear(
                "Two files in one folder of the card have the same name.",
                kept=_KEPT,
                todo="Put another card in.",
            )
        return sorted(found, key=lambda file: (file.folder, file.name))

    def capture(self) -> Sequence[CardFile]:
        """See `Camera.capture`."""
        body = self._body
        if body.battery < self._limits.battery_percent:
            raise BatteryLow(
                f"The camera's battery is at {body.battery:.0f} %.",
                kept="No picture was started; everything so far is kept.",
                todo="Change the battery, then go on with this frame.",
            )
        self._pass(Operation.INITIATE_CAPTURE)
        before = {item.handle for item in self._files()}
        self._full = False
        try:
            body.release()
        except Refused as error:
            raise _refused(error.reason) from None
        body.wait()
        made = [item for item in self._files() if item.handle not in before]
        with self._news:
            self._known.update(item.handle for item in made)
        if made:
            return self._announce(made)
        if self._full:
            raise _refused(Refusal.FULL)
        raise CameraRefused(
            "The shutter was fired and no picture came of it.",
            kept=_KEPT,
            todo="Look at the camera's display, then photograph this frame again.",
        )

    def wait_for_files(self, seconds: float) -> Sequence[CardFile]:
        """See `Camera.wait_for_files`."""
        self._check()
        deadline = time.monotonic() + seconds
        with self._news:
            while True:
                fresh = [handle for handle in self._waiting if handle not in self._known]
                left = deadline - time.monotonic()
                if fresh or left <= 0:
                    break
                self._news.wait(left)
            self._waiting.clear()
            self._known.update(fresh)
        items = (self._body.card.find(handle) for handle in dict.fromkeys(fresh))
        return self._announce([item for item in items if item])

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`."""
        self._check()
        item = self._meant(file)
        if item is None:
            raise FileUnavailable(
                f"The camera has no file {file.name!r} in {file.folder!r}.", kept=_KEPT
            )
        striking = self._body.faults.operation(Operation.GET_OBJECT, item.handle)
        data = self._body.card.file_of(item).read_bytes()
        drop = among(DropConnection, striking)
        try:
            with destination.open("xb") as target:
                target.write(data if drop is None else data[: drop.after])
        except FileExistsError:
            raise FileUnavailable(
                f"{destination} exists already and is not overwritten.", kept=_KEPT
            ) from None
        self._strike(striking)
        if file.size is not None and len(data) != file.size:
            raise FileUnavailable(
                f"{file.name!r} came with {len(data)} bytes where the camera says {file.size}.",
                kept=f"What came over is in {destination}; the original is still in the camera.",
                todo="Fetch it again.",
            )
        return len(data)

    def preview(self) -> bytes:
        """See `Camera.preview`."""
        self._pass(Operation.GET_LIVE_VIEW_IMAGE)
        self._body.live = True
        frame = self._body.look()
        assert frame is not None  # it was waited for
        return frame

    def close(self) -> None:
        """See `Camera.close`."""
        self._unsubscribe()
        self._body.live = False
        self._lost = True

    def _hear(self, event: Event, parameter: int, _tag: int | None) -> None:
        item = self._body.card.find(parameter) if event is Event.OBJECT_ADDED else None
        with self._news:
            if item and not item.is_folder:
                self._waiting.append(item.handle)
            self._full = self._full or event is Event.STORE_FULL
            self._news.notify_all()

    def _files(self) -> list[Item]:
        return [item for item in self._body.card.items() if not item.is_folder]

    def _announce(self, items: Iterable[Item]) -> list[CardFile]:
        """Describe new files, and remember which one a description stands for."""
        made = [(self._described(item), item.handle) for item in items]
        self._announced.update(made)
        return [file for file, _ in made]

    def _meant(self, file: CardFile) -> Item | None:
        """Find the file that a description stands for, None where there is none."""
        announced = self._body.card.find(self._announced.get(file, 0))
        if announced is not None and not self._by_name:
            return announced
        for item in self._files():
            here = self._described(item)
            if here == file or (
                self._by_name and (here.folder, here.name) == (file.folder, file.name)
            ):
                return item
        return None

    def _described(self, item: Item) -> CardFile:
        size = item.size if item.stated_size is None else item.stated_size
        folder = f"/store_{STORAGE:08x}{self._body.card.path_of(item)}"
        return CardFile(folder, item.name, size, int(item.captured.timestamp()))

    def _setting(self, role: Role) -> Setting:
        dial = _BY_ROLE[role]
        now = dial.words[self._body.dials[dial.code]]
        return Setting(role, dial.code.name.lower(), now, tuple(dial.words.values()))

    def _check(self) -> None:
        if self._lost:
            raise CameraLost(
                "The connection to the camera broke.", kept=_KEPT, todo="Connect again."
            )

    def _pass(self, operation: Operation, parameter: int = 0) -> None:
        self._check()
        self._strike(self._body.faults.operation(operation, parameter))

    def _strike(self, striking: Iterable[object]) -> None:
        for fault in striking:
            if isinstance(fault, Slow):
                threading.Event().wait(fault.seconds)
            elif isinstance(fault, DropConnection):
                self._lost = True
                self._check()
            elif isinstance(fault, Refuse):
                name = str(fault.response)
                with contextlib.suppress(ValueError):
                    name = Response(fault.response).name.replace("_", " ").lower()
                raise CameraRefused(f"The camera refused ({name}).", kept=_KEPT, todo="Try again.")


def _refused(reason: Refusal) -> CameraRefused:
    what = f"No picture: {reason.value}."
    if reason is Refusal.BATTERY:
        return BatteryLow(what, kept=_KEPT, todo="Change the battery, then go on with this frame.")
    if reason is Refusal.FULL:
        return CardFull(what, kept=_KEPT, todo="Change the card, then photograph this frame again.")
    return CameraRefused(what, kept=_KEPT, todo="Try again.")
