"""Waits that are long enough for a simulated camera, which answers at once."""

from __future__ import annotations

from tether.settings import CameraLimits, Settings

QUICK = Settings(
    camera=CameraLimits(
        quiet_seconds=0.05, capture_seconds=5.0, second_file_seconds=1.0, lost_event_seconds=0.5
    )
)
