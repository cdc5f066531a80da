"""A bench with its camera in a process of its own, and the hand at it by remote call.

The process ends with the one that started it, also when that is killed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tether.worker_process import WorkerProcess
from tether_simulator import mishaps
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.faults import Fault, FaultScript
from tether_simulator.imaging.sensor import raw_bytes
from tether_simulator.ptp import Property
from tether_simulator.ptpip.operations import Identity
from tether_simulator.ptpip.responder import Responder

START_SECONDS = 60.0


class BenchHost:
    """A bench, its camera and the responder. See `BenchProcess.start` for the parameters."""

    def __init__(
        self,
        config: BenchConfig | None = None,
        *,
        port: int = 0,
        card: Path | None = None,
        capacity: int | None = None,
        battery: float = 100.0,
        identity: Identity | None = None,
        faults: tuple[Fault, ...] = (),
    ) -> None:
        kept = MemoryCard(card) if capacity is None else MemoryCard(card, capacity=capacity)
        before = sum(not item.is_folder for item in kept.items())
        self.bench = CopyStand(config or BenchConfig(), before)
        self.body = Body(
            self.bench, kept, FaultScript(faults), battery=battery,
            usual_bytes=raw_bytes(self.bench.config.sensor),
        )  # fmt: skip
        self.responder = Responder(self.body, port=port, identity=identity)

    def close(self) -> None:
        """Disconnect and stop."""
        self.responder.close()
        self.body.close()

    def port_name(self) -> str:
        """Return how libgphoto2 names the way to the camera."""
        return self.responder.port_name

    def hand(self, method: str, *args: Any) -> Any:
        """Call a method of `tether_simulator.hand.Hand`, or read one of its properties."""
        with self.body.still():
            found = getattr(self.bench.hand, method)
            return found(*args) if callable(found) else found

    def press_button(self) -> None:
        """Fire the shutter with the button on the camera."""
        self.body.press_button()

    def turn(self, code: int, value: int) -> None:
        """Turn a dial by hand."""
        self.body.turn(Property(code), value)

    def set_battery(self, percent: float) -> None:
        """Charge or empty the battery."""
        self.body.battery = percent

    def magnify(self, zoom: float, centre: tuple[float, float]) -> None:
        """Magnify live view."""
        self.body.magnify(zoom, centre)

    def install(self, *faults: Fault) -> None:
        """Install faults."""
        self.body.faults.install(*faults)

    def clear_faults(self) -> None:
        """Remove all faults."""
        self.body.faults.clear()

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        """Return code, words and heading of everything that can go wrong."""
        of_camera = ((m.code, m.label, mishaps.OF_CAMERA) for m in mishaps.CAMERA_MISHAPS)
        return (*self.bench.hand.mishaps(), *of_camera)

    def active(self) -> tuple[str, ...]:
        """Return the codes of what is wrong now."""
        return (*self.hand("active"), *mishaps.active(self.body))

    def mishap(self, code: str) -> None:
        """Let something go wrong. Raises ValueError when the code is unknown."""
        if any(m.code == code for m in mishaps.CAMERA_MISHAPS):
            mishaps.let_happen(code, self.body)
        else:
            self.hand("mishap", code)

    def put_right(self, code: str) -> None:
        """Put one thing right. Raises ValueError when the code is unknown."""
        if any(m.code == code for m in mishaps.CAMERA_MISHAPS):
            mishaps.put_right(code, self.body)
        else:
            self.hand("put_right", code)

    def struck(self) -> tuple[Fault, ...]:
        """Return the faults that have struck."""
        return self.body.faults.struck


def _serve(arguments: dict[str, Any]) -> BenchHost:
    return BenchHost(**arguments)


class BenchProcess:
    """A `BenchHost` in a process of its own; its calls may come from any thread."""

    def __init__(self, child: WorkerProcess) -> None:
        self._child = child
        self._port_name = str(child.call("port_name"))

    @classmethod
    def start(
        cls,
        config: BenchConfig | None = None,
        *,
        port: int = 0,
        card: Path | None = None,
        capacity: int | None = None,
        battery: float = 100.0,
        identity: Identity | None = None,
        faults: tuple[Fault, ...] = (),
        log: Path | None = None,
    ) -> BenchProcess:
        """Start the process and return when the camera can be reached.

        Parameters
        ----------
        config
            What stands on the bench.
        port
            Where the camera listens, 0 for a free port.
        card
            Folder that keeps the card from one process to the next; None for a card that goes
            with the process.
        capacity
            Bytes that the card holds, None for a large one.
        battery
            Charge in per cent.
        identity
            What the camera calls itself.
        faults
            What goes wrong.
        log
            File for what the process prints.

        Raises
        ------
        TetherError
            When the process does not come up.
        """
        arguments = {
            "config": config,
            "port": port,
            "card": card,
            "capacity": capacity,
            "battery": battery,
            "identity": identity,
            "faults": faults,
        }
        child = WorkerProcess(_serve, arguments, name="The simulated bench", log=log)
        child.start(START_SECONDS)
        return cls(child)

    @property
    def port_name(self) -> str:
        """How libgphoto2 names the way to the camera: ``ptpip:127.0.0.1:PORT:PORT``."""
        return self._port_name

    @property
    def pid(self) -> int | None:
        """The process's number."""
        return self._child.pid

    def go_to(self, frame: int) -> None:
        """Bring a frame into the gate."""
        self._child.call("hand", "go_to", frame)

    def slide_to(self, frame: int, seconds: float, *, laid_anew: bool = False) -> None:
        """Move the film to a frame, within so many seconds; see `Hand.slide_to`."""
        self._child.call("hand", "slide_to", frame, seconds, laid_anew)

    def remove_film(self) -> None:
        """Take the film out: the open gate."""
        self._child.call("hand", "remove_film")

    def lay_blank(self) -> None:
        """Lay the blank piece that was cut off before frame 1 into the gate."""
        self._child.call("hand", "lay_blank")

    def reload(self) -> None:
        """Take the strip out and load it again the right way."""
        self._child.call("hand", "reload")

    def lamp(self, on: bool) -> None:
        """Switch the lamp."""
        self._child.call("hand", "lamp", on)

    def lamp_on(self) -> bool:
        """Return whether the lamp is on."""
        return bool(self._child.call("hand", "lamp_on"))

    def frame(self) -> int | None:
        """Return the frame that really lies in the gate, None without film."""
        found: int | None = self._child.call("hand", "frame")
        return found

    def turn_power(self, stops: float) -> None:
        """Turn the power of the light by so many stops."""
        self._child.call("hand", "turn_power", stops)

    def turn_ring(self, mm: float) -> None:
        """Turn the focusing ring of the lens."""
        self._child.call("hand", "turn_ring", mm)

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        """Return code and words of everything that can go wrong."""
        return tuple(self._child.call("mishaps"))

    def active(self) -> tuple[str, ...]:
        """Return the codes of what is wrong now."""
        return tuple(self._child.call("active"))

    def mishap(self, code: str) -> None:
        """Let something go wrong."""
        self._child.call("mishap", code)

    def put_right(self, code: str) -> None:
        """Put one thing right."""
        self._child.call("put_right", code)

    def clear(self) -> None:
        """Put everything on the bench right, and remove the camera's faults."""
        self._child.call("hand", "clear")
        self._child.call("clear_faults")

    def press_button(self) -> None:
        """Fire the shutter with the button on the camera."""
        self._child.call("press_button")

    def turn(self, code: Property, value: int) -> None:
        """Turn a dial by hand."""
        self._child.call("turn", int(code), value)

    def set_battery(self, percent: float) -> None:
        """Charge or empty the battery."""
        self._child.call("set_battery", percent)

    def magnify(self, zoom: float, centre: tuple[float, float] = (0.5, 0.5)) -> None:
        """Magnify live view about a point, in shares of the picture's width and height."""
        self._child.call("magnify", zoom, centre)

    def install(self, *faults: Fault) -> None:
        """Install faults of the camera and its connection."""
        self._child.call("install", *faults)

    def struck(self) -> tuple[Fault, ...]:
        """Return the faults that have struck."""
        return tuple(self._child.call("struck"))

    def kill(self) -> None:
        """End the process at once, as a loss of power would."""
        self._child.kill()
        self._child.close()

    def close(self) -> None:
        """End the process. May be called twice."""
        self._child.close()
