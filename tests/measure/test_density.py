"""Density against the open gate: ISO 5-1, and the bench's step tablet read back."""

from __future__ import annotations

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.measure.on_bench import SensorConfig, photographed
from tether.measure.density import density, density_planes, read_steps, tablet_report
from tether.measure.exposure.advice import exposure_ratio
from tether.measure.survey import survey
from tether.raw import Mosaic

CHANNELS = ("R", "G1", "B", "G2")


def test_density_is_minus_the_logarithm_of_transmittance() -> None:
    # ISO 5-1: D = -log10 T.
    for transmittance, expected in ((1.0, 0.0), (0.5, 0.301), (0.1, 1.0), (0.001, 3.0)):
        assert float(density(0.8 * transmittance, 0.8)) == pytest.approx(expected, abs=5e-4)


def test_dark_and_exposure_are_taken_into_account() -> None:
    # The frame had four times the light: of T = 0.01 it shows 0.04.
    assert float(density(0.5 * 0.04 + 0.01, 0.5 + 0.01, dark=0.01, ratio=4.0)) == pytest.approx(
        2.0, abs=1e-3
    )


def tablet(noise: bool, glare: float = 0.0) -> tuple[CopyStand, Mosaic, Mosaic]:
    """Return a bench with the tablet in its gate, a long exposure of it and the open gate."""
    from tether_simulator.imaging.optics import OpticsConfig

    sensor = SensorConfig(1536, 1024, noise=noise, bits=16, black=2048, saturation=64_000)
    bench = CopyStand(
        BenchConfig(
            sensor=sensor, target="step-tablet", seed=2, optics=OpticsConfig(veiling_glare=glare)
        )
    )
    bench.hand.remove_film()
    gate = photographed(bench, CameraExposure(1 / 30, 8, 100))
    bench.hand.go_to(1)
    frame = photographed(bench, CameraExposure(1 / 25, 8, 100))
    return bench, frame, gate


def steps(bench: CopyStand, frame: Mosaic, gate: Mosaic) -> dict[str, list[float]]:
    ratio = exposure_ratio(
        (frame.exposure_seconds, frame.iso, frame.f_number),
        (gate.exposure_seconds, gate.iso, gate.f_number),
    )
    assert ratio is not None
    picture = survey(frame)
    planes = density_planes(picture, survey(gate), ratio)
    boxes = []
    for _, (x0, y0, x1, y1) in bench.patch_boxes():
        # The outer fifth of a patch is left out as well.
        x, y = 0.2 * (x1 - x0), 0.2 * (y1 - y0)
        inner = (x0 + x, y0 + y, x1 - x, y1 - y)
        a, b, c, d = (round(v / picture.step) for v in inner)
        boxes.append((a, b, c, d))
    return {c: list(read_steps(plane, boxes)) for c, plane in zip(CHANNELS, planes, strict=True)}


def test_a_step_tablet_without_noise_reads_true() -> None:
    known = [0.05 + 0.15 * n for n in range(21)]
    for channel, read in steps(*tablet(noise=False)).items():
        seen = np.array(read) - np.array(known)
        # Up to density 2.0 within 0.005; above it a raw value is a share of the signal that
        # shows (at 3.05 a step of the converter is 0.01 in the weakest channel).
        assert np.abs(seen[:14]).max() < 0.005, channel
        assert np.abs(seen).max() < 0.02, channel
        report = tablet_report(read)
        assert report.slope == pytest.approx(1, abs=0.005)
        assert report.monotonic
        assert report.dense_from is None


def test_a_step_tablet_with_noise() -> None:
    # Photon and read noise of 60,000 electrons at saturation, medians over a patch.
    for channel, read in steps(*tablet(noise=True)).items():
        report = tablet_report(read)
        assert report.monotonic, channel
        assert report.largest_error < 0.03, channel
        assert report.slope == pytest.approx(1, abs=0.01)


def test_glare_shows_in_the_dense_steps() -> None:
    report = tablet_report(steps(*tablet(noise=False, glare=0.002))["G1"])
    assert report.slope < 0.98
    assert report.dense_from is not None
    assert report.dense_from > 10
