"""What makes tests quick: waits for a camera that answers at once, and a small sensor."""

from __future__ import annotations

from tether_simulator.imaging.sensor import SensorConfig

from tether.settings import CameraLimits, Settings

QUICK = Settings(
    camera=CameraLimits(
        quiet_seconds=0.05, capture_seconds=5.0, second_file_seconds=1.0, lost_event_seconds=0.5
    )
)

SENSOR = SensorConfig(width=960, height=640)
"""As few photosites as show a frame's rebate and grain well enough for a sure verdict."""
