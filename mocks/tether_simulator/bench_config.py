"""What stands on the simulated bench and which film lies beside it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from tether.film import FILM_FORMATS, FilmFormat, FilmProcess
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.optics import OpticsConfig
from tether_simulator.imaging.sensor import SensorConfig


@dataclass(frozen=True, slots=True)
class BenchConfig:
    """What stands on the bench and which film lies beside it.

    Attributes
    ----------
    process, film_format, frames, frames_per_strip
        The film.
    seed
        Pictures, grain, dust, placement and noise all follow from it.
    sensor, lamp, optics
        See the modules of `tether_simulator.imaging`.
    framing
        "rebate", "wide" or "tight", see `tether_simulator.imaging.view.GateView.fit`.
    edge_print
        Print bar codes and frame numbers on the rebate of 135 film.
    edge_numbers
        The film's two numbers in the bar code, 0..127 and 0..15 (invented).
    target
        "pictures", or "step-tablet": every frame carries a step tablet, see
        `tether_simulator.film.step_tablet`.
    frame_faults
        (frame, code) of pictures that went wrong in the camera, codes as in
        `tether_simulator.mishaps.MISHAPS`.
    placement_mm, placement_degrees
        Largest error of a careful hand; each frame has its own within it.
    open_gate
        Signal of bare light in green at 1/15 s, f/8, ISO 100, relative to saturation.
    room_light
        Stray light from the room with the mishap "room-light", relative to ``open_gate``.
    started
        Clock of the camera at the first shot; the next follow ten seconds apart.
    """

    process: FilmProcess = FilmProcess.BW_NEGATIVE
    film_format: FilmFormat = field(default_factory=lambda: FILM_FORMATS["135"])
    frames: int = 36
    frames_per_strip: int = 6
    seed: int = 1
    sensor: SensorConfig = field(default_factory=SensorConfig)
    lamp: LampConfig = field(default_factory=LampConfig)
    optics: OpticsConfig = field(default_factory=OpticsConfig)
    framing: str = "rebate"
    edge_print: bool = False
    edge_numbers: tuple[int, int] = (33, 7)
    target: str = "pictures"
    frame_faults: tuple[tuple[int, str], ...] = ()
    placement_mm: float = 0.08
    placement_degrees: float = 0.1
    open_gate: float = 1.5
    room_light: float = 0.03
    started: datetime = datetime(2024, 5, 4, 10, 0, 0)
