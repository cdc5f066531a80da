"""The body of the simulated camera: dials, shutter, battery, card, clock, live view.

It knows nothing of connections. Somebody fires it (`Body.release`), and whoever has subscribed
hears what comes of it, from another thread.
"""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime, timedelta
from enum import Enum

from tether_simulator import faults as wrong
from tether_simulator.camera import pictures
from tether_simulator.camera.card import STORAGE, MemoryCard, NoRoom
from tether_simulator.camera.dials import Dials
from tether_simulator.camera.pictures import Scene
from tether_simulator.faults import FaultScript, PictureFault, among
from tether_simulator.ptp import Event, Property

LEAST_BATTERY = 3.0
"""Per cent of charge below which the shutter does not open."""

BATTERY_PER_PICTURE = 0.05
"""Per cent of charge that an exposure takes."""


class Refusal(Enum):
    """Why the shutter does not open."""

    BUSY = "the camera is still writing the picture before"
    FULL = "the card has no room for another picture"
    BATTERY = "the battery is too low"


class Refused(Exception):
    """The shutter did not open; ``reason`` says why."""

    def __init__(self, reason: Refusal) -> None:
        super().__init__(reason.value)
        self.reason = reason


Listener = Callable[[Event, int, int | None], None]
"""Called with an event, its parameter, and the tag that was given to `Body.release`."""


class Body:
    """A camera body in front of a scene.

    Parameters
    ----------
    scene
        What it photographs; called by one thread at a time.
    card
        Where its pictures go.
    faults
        What goes wrong.
    battery
        Charge at first, in per cent.
    usual_bytes
        Size of a picture as its counter reckons with it, until there is one to go by.
    """

    def __init__(
        self,
        scene: Scene,
        card: MemoryCard,
        faults: FaultScript | None = None,
        *,
        battery: float = 100.0,
        usual_bytes: int = 50_000_000,
    ) -> None:
        self._usual = usual_bytes
        self.card = card
        self.faults = faults or FaultScript()
        self._scene = scene
        self._dials = Dials()
        self._battery = battery
        self._ahead = timedelta()
        self._lock = threading.RLock()
        self._looking = threading.Lock()
        self._listeners: list[Listener] = []
        self._closed = threading.Event()
        self._exposing: threading.Thread | None = None
        self._busy = False
        self._expected = 0
        self._live = False
        self._frame: Future[bytes] | None = None
        self._zoom = 1.0
        self._centre = (0.5, 0.5)

    def close(self) -> None:
        """Stop what is going on and give up a temporary card."""
        self._closed.set()
        self.wait()
        self.card.close()

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Have a listener hear of every event; return what ends that."""
        with self._lock:
            self._listeners.append(listener)

        def end() -> None:
            with self._lock, contextlib.suppress(ValueError):
                self._listeners.remove(listener)

        return end

    @property
    def battery(self) -> float:
        """Charge in per cent."""
        return self._battery

    @battery.setter
    def battery(self, percent: float) -> None:
        before, self._battery = self.battery_shown, max(0.0, percent)
        if before != self.battery_shown:
            self._tell(Event.DEVICE_PROP_CHANGED, Property.BATTERY_LEVEL)

    @property
    def battery_shown(self) -> int:
        """Charge as the camera's display shows it, in whole per cent."""
        return math.ceil(self._battery)

    @property
    def clock(self) -> datetime:
        """The camera's own time, without a zone."""
        return (datetime.now() + self._ahead).replace(microsecond=0)

    @clock.setter
    def clock(self, now: datetime) -> None:
        self._ahead = now - datetime.now()

    @property
    def dials(self) -> Dials:
        """Where the dials stand; turn them with `turn`."""
        return self._dials

    def turn(self, code: Property, value: int, *, by_hand: bool = True) -> None:
        """Turn a dial. Raises KeyError or ValueError, see `Dials.turn`.

        Listeners hear of every property that changed; when it was not done by hand on the
        camera but from outside, only of those that changed along with it.
        """
        with self._lock:
            changed = self._dials.turn(code, value)
        for each in changed:
            if by_hand or each is not code:
                self._tell(Event.DEVICE_PROP_CHANGED, each)

    @property
    def busy(self) -> bool:
        """Whether an exposure is under way."""
        return self._busy

    def wait(self, seconds: float | None = None) -> None:
        """Wait until no exposure is under way."""
        exposing = self._exposing
        if exposing is not None and exposing is not threading.current_thread():
            exposing.join(seconds)

    def release(self, tag: int | None = None) -> None:
        """Fire the shutter; what comes of it is told to the listeners.

        Raises
        ------
        Refused
            When the shutter does not open.
        """
        with self._lock:
            if self.busy:
                raise Refused(Refusal.BUSY)
            striking = self.faults.picture()
            if falls := among(wrong.BatteryFalls, striking):
                self.battery = falls.percent
            if self._battery < LEAST_BATTERY:
                raise Refused(Refusal.BATTERY)
            if self.card.free < self._expected:
                raise Refused(Refusal.FULL)
            self._busy = True
            self._exposing = threading.Thread(
                target=self._run, args=(tag, striking), name="exposure", daemon=True
            )
            self._exposing.start()

    @contextlib.contextmanager
    def still(self) -> Iterator[None]:
        """Wait until nobody looks at the scene, and let nobody look: for moving things there."""
        with self._looking:
            yield
            self._forget(self._frame)

    def press_button(self) -> None:
        """Fire the shutter with the button on the camera. Raises `Refused`."""
        self.release()

    @property
    def live(self) -> bool:
        """Whether live view is on."""
        return self._live

    @live.setter
    def live(self, on: bool) -> None:
        self._live = on

    def magnify(self, zoom: float, centre: tuple[float, float] = (0.5, 0.5)) -> None:
        """Magnify live view about a point, as with the button on the camera."""
        self._zoom, self._centre = zoom, centre

    def look(self, patience: float | None = None) -> bytes | None:
        """Return one frame of live view, None where it takes longer than ``patience`` seconds.

        A frame that was not waited for is returned by a later call, unless the scene was
        changed (`still`) in between.
        """
        with self._lock:
            frame = self._frame
            if frame is None:
                frame = self._frame = Future()
                threading.Thread(target=self._draw, args=(frame,), daemon=True).start()
        try:
            drawn = frame.result(patience)
        except TimeoutError:
            return None
        self._forget(frame)
        return drawn

    def _draw(self, frame: Future[bytes]) -> None:
        try:
            with self._looking:
                drawn = self._scene.live_view(
                    self._dials.exposure, zoom=self._zoom, centre=self._centre
                )
        except BaseException as error:
            self._forget(frame)
            frame.set_exception(error)
        else:
            frame.set_result(drawn)

    def _forget(self, frame: Future[bytes] | None) -> None:
        with self._lock:
            if self._frame is frame:
                self._frame = None

    def pictures_left(self) -> int:
        """Return for how many pictures there is room, by the size of the largest so far."""
        return self.card.free // (self._expected or self._usual)

    def _tell(self, event: Event, parameter: int, tag: int | None = None) -> None:
        striking = self.faults.event(event)
        if among(wrong.LostEvent, striking):
            return
        with self._lock:
            listeners = tuple(self._listeners)
        for listener in listeners * (2 if among(wrong.DuplicateEvent, striking) else 1):
            listener(event, parameter, tag)

    def _run(self, tag: int | None, striking: Iterable[PictureFault]) -> None:
        last: tuple[Event, int] | None = None
        try:
            last = self._expose(tag, striking)
        except NoRoom:
            last = Event.STORE_FULL, STORAGE
        finally:
            # Before the last event: whoever hears of it may fire again at once.
            self._busy = False
        if last:
            self._tell(*last, tag)

    def _expose(
        self, tag: int | None, striking: Iterable[PictureFault]
    ) -> tuple[Event, int] | None:
        """Make the picture; return the event that ends it, None where none comes."""
        if among(wrong.NeverCompletes, striking):
            return None
        dials = self._dials
        with self._looking:
            picture = self._scene.expose(replace(dials.exposure, taken=self.clock))
        self.battery -= BATTERY_PER_PICTURE
        files = pictures.files_of(picture, dials.quality)
        self._expected = max(self._expected, sum(len(data) for _, _, data in files))
        if among(wrong.FullCard, striking):
            raise NoRoom
        made, folder, stem = pictures.place(self.card, striking)
        for item in made:
            self._tell(Event.OBJECT_ADDED, item.handle, tag)
        late = among(wrong.LateSecondFile, striking)
        for order, file in enumerate(files):
            if order and late and self._closed.wait(late.seconds):
                return None
            item = pictures.write(
                self.card,
                folder,
                f"{stem}.{file[0]}",
                file,
                picture,
                captured=self.clock,
                striking=striking,
            )
            self._tell(Event.OBJECT_ADDED, item.handle, tag)
        return Event.CAPTURE_COMPLETE, 0 if tag is None else tag
