"""Mosaics straight from the simulated bench, without a file in between."""

from __future__ import annotations

from typing import Any

import numpy as np
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig

from tether.raw import Mosaic

TILES = {
    "RGGB": ((0, 1), (3, 2)),
    "BGGR": ((2, 1), (3, 0)),
    "GRBG": ((1, 0), (2, 3)),
    "GBRG": ((1, 2), (0, 3)),
}
NAMES = ("R", "G1", "B", "G2")


def photographed(bench: CopyStand, exposure: CameraExposure) -> Mosaic:
    """Open the shutter once and return the mosaic as LibRaw would give it."""
    sensor = bench.config.sensor
    return Mosaic(
        data=bench.mosaic(exposure),
        pattern=np.array(TILES[sensor.cfa]),
        channels=NAMES,
        black=(float(sensor.black),) * 4,
        saturation=(float(sensor.saturation),) * 4,
        white_balance=(1 / 0.58, 1.0, 1 / 0.68, 1.0),
        exposure_seconds=exposure.seconds,
        iso=exposure.iso,
        f_number=exposure.f_number,
    )


def open_gate(
    *mishaps: str,
    seconds: float = 1 / 60,
    lamp: bool = True,
    shine: LampConfig | None = None,
    **config: Any,
) -> Mosaic:
    """Photograph the light without film."""
    bench = CopyStand(BenchConfig(lamp=shine or LampConfig(), **config))
    bench.hand.remove_film()
    for code in mishaps:
        bench.hand.mishap(code)
    bench.hand.lamp(lamp)
    return photographed(bench, CameraExposure(seconds, 8.0, 100.0))


def plain(signal: np.ndarray, black: int = 512, saturation: int = 16_200) -> Mosaic:
    """Make a mosaic without noise from signals 0..1, shape (h, w)."""
    data = np.rint(black + signal * (saturation - black)).astype(np.uint16)
    return Mosaic(
        data, np.array(TILES["RGGB"]), NAMES, (float(black),) * 4, (float(saturation),) * 4, iso=100
    )


__all__ = ["NAMES", "TILES", "SensorConfig", "open_gate", "photographed", "plain"]
