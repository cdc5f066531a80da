"""What the camera is set to when its shutter opens."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

#: The setting at which the lamp's and the sensor's numbers are stated.
REFERENCE_SECONDS = 1 / 15
REFERENCE_F_NUMBER = 8.0
REFERENCE_ISO = 100.0


@dataclass(frozen=True, slots=True)
class CameraExposure:
    """Shutter time in seconds, marked aperture, ISO speed setting and white balance by name.

    ``white_balance`` is metadata only: "Daylight", "Tungsten" or "Automatic" change what the file
    says about neutral and the camera's own JPEG, never the raw values. Any other name counts as
    "Daylight". ``taken`` is what the camera's clock shows, None without a camera.
    """

    seconds: float
    f_number: float
    iso: float
    white_balance: str = "Daylight"
    taken: datetime | None = None

    @property
    def light(self) -> float:
        """Light on the sensor relative to the reference setting: H is proportional to t / N².

        ISO 12232 states the relation; the ISO setting does not change it.
        """
        return (self.seconds / REFERENCE_SECONDS) * (REFERENCE_F_NUMBER / self.f_number) ** 2

    @property
    def gain(self) -> float:
        """Amplification relative to the reference ISO: raw values are proportional to ISO."""
        return self.iso / REFERENCE_ISO

    @property
    def stops(self) -> float:
        """Stops of raw signal above the reference setting."""
        return math.log2(self.light * self.gain)


#: 1/15 s, f/8, ISO 100: bare light saturates the default bench a little at this setting.
REFERENCE = CameraExposure(REFERENCE_SECONDS, REFERENCE_F_NUMBER, REFERENCE_ISO)
