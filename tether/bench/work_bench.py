"""The bench that a roll is worked on at: camera, light, and the settings that hold there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tether.archive.open_roll import OpenRoll
from tether.bench.light_record import LightRecord
from tether.camera.protocol import Setting
from tether.camera.values import shutter_seconds
from tether.capture.bench_shots import BenchShots
from tether.capture.tethered import Tethered
from tether.capture.transfer import Progress
from tether.settings import Settings

Report = Callable[[int, Progress], None]
"""Takes the number of a test exposure and how far it is."""


@dataclass(slots=True)
class WorkBench:
    """What the steps of the set-up work with.

    Attributes
    ----------
    roll, camera
        The roll at work, and the camera at the cable.
    shots
        Takes test exposures, which belong to the bench and to no frame.
    light
        What is kept of the roll's light.
    settings
        Targets and limits; the kind of light is that of the bench which is named.
    """

    roll: OpenRoll
    camera: Tethered
    shots: BenchShots
    light: LightRecord
    settings: Settings

    @property
    def strobe(self) -> bool:
        """Whether the light is a strobe, so that the shutter does not set the exposure."""
        return self.settings.light.strobe

    def log(self, text: str) -> None:
        """Add a line about the bench to the roll's log."""
        self.roll.log("bench", text)


def shutter_times(shutter: Setting | None) -> tuple[tuple[str, float], ...]:
    """Return the (label, seconds) of a camera's list of shutter settings; bulb and such are not."""
    choices = shutter.choices if shutter else ()
    return tuple((c, s) for c in choices if (s := shutter_seconds(c)))
