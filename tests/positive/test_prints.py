"""Positives of the simulated bench's film, judged by the scene, the step tablet and CIEDE2000."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.positive.photographed import (
    colour_difference,
    photograph,
    printed,
    renderings_of,
    resized,
)
from tether.film import FilmProcess
from tether.positive.flat_field import flat_field
from tether.positive.linear import XYZ_TO_SRGB, camera_matrix, open_linear, tile_weights
from tether.positive.printing import print_frame
from tether.positive.rendering import Brief, Rendering, roll_renderings
from tether.positive.sample import take_sample
from tether.raw import open_mosaic
from tether.settings import PositiveSettings


def linear_of(value: np.ndarray) -> np.ndarray:
    """Return linear values of sRGB ones (IEC 61966-2-1)."""
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize(
    ("process", "limit"),
    [
        (FilmProcess.BW_NEGATIVE, 2.5),
        (FilmProcess.COLOUR_NEGATIVE, 4.0),
        (FilmProcess.TRANSPARENCY, 2.5),
    ],
)
def test_film_gives_the_scene_back(tmp_path: Path, process: FilmProcess, limit: float) -> None:
    pytest.importorskip("skimage.color", reason="scikit-image is not installed")
    shots = photograph(tmp_path, process, frames=5)
    differences = [
        colour_difference(printed(shot, rendering), shot, process)
        for shot, rendering in zip(
            shots, renderings_of(shots, process, PositiveSettings()), strict=True
        )
    ]
    assert np.mean(differences) < limit


def test_a_step_tablet_prints_in_even_steps_of_the_stated_contrast(tmp_path: Path) -> None:
    process = FilmProcess.BW_NEGATIVE
    (shot,) = photograph(tmp_path, process, frames=1, target="step-tablet")
    mosaic = open_mosaic(shot.path)
    density, boxes = zip(*shot.boxes, strict=True)
    base = take_sample(mosaic, process, None).lightest
    settings = replace(PositiveSettings(), mid_density=1.5)
    rendering = Rendering(process, base, mirrored=False, half=True, settings=settings)
    seen = printed(shot, rendering)
    value = np.array(
        [np.median(seen[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2]) for x0, y0, x1, y1 in boxes]
    )
    assert np.all(np.diff(value) > 0), "denser film prints lighter, step for step"
    light = np.log10(linear_of(value))
    straight = (light > np.log10(0.18) - 1.0) & (light < np.log10(0.18) + 0.35)
    assert straight.sum() >= 4
    slope = np.polyfit(np.array(density)[straight], light[straight], 1)[0]
    assert slope == pytest.approx(settings.contrast, rel=0.03)
    steps = np.diff(light[straight])
    assert steps == pytest.approx(settings.contrast * 0.15, rel=0.08)


def test_the_positive_is_the_right_way_round(tmp_path: Path) -> None:
    (shot,) = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=1)
    (rendering,) = renderings_of([shot], FilmProcess.BW_NEGATIVE, PositiveSettings())
    seen = printed(shot, rendering)
    wanted = resized(shot.log_exposure, seen.shape)[..., 1]

    def alike(picture: np.ndarray) -> float:
        return float(np.corrcoef(picture.ravel(), wanted.ravel())[0, 1])

    assert alike(seen) > 0.9
    assert alike(seen) > alike(seen[:, ::-1]) + 0.02
    wrong = printed(shot, replace(rendering, mirrored=False))
    assert alike(wrong) < alike(seen)
    turned = printed(shot, replace(rendering, turn=90))
    np.testing.assert_array_equal(turned, np.rot90(seen, -1))


def test_frames_of_a_roll_match_though_their_exposures_differ(tmp_path: Path) -> None:
    shots = photograph(tmp_path, FilmProcess.COLOUR_NEGATIVE, frames=4)
    renderings = renderings_of(shots, FilmProcess.COLOUR_NEGATIVE, PositiveSettings())
    assert len({r.balance for r in renderings}) == 1
    assert len({r.base for r in renderings}) == 1
    sample = take_sample(open_mosaic(shots[0].path), FilmProcess.COLOUR_NEGATIVE, None)
    longer = replace(sample, light=2 * sample.light)
    made = roll_renderings(
        FilmProcess.COLOUR_NEGATIVE,
        [Brief("a", sample), Brief("b", sample), Brief("c", longer)],
        PositiveSettings(),
        half=True,
    )
    assert made["c"].base == pytest.approx(np.multiply(made["a"].base, 2))


def test_half_and_full_size_agree(tmp_path: Path) -> None:
    for process in FilmProcess:
        (shot,) = photograph(tmp_path, process, frames=1)
        (rendering,) = renderings_of([shot], process, PositiveSettings())
        rendering = replace(rendering, outline=None)
        half, full = printed(shot, rendering), printed(shot, replace(rendering, half=False))
        h, w = half.shape[:2]
        binned = full[: 2 * h, : 2 * w].reshape(h, 2, w, 2, *full.shape[2:]).mean(axis=(1, 3))
        assert np.abs(np.median(half - binned)) < 0.004
        assert np.mean(np.abs(half - binned)) < 0.03


def test_a_turned_outline_is_printed_straight(tmp_path: Path) -> None:
    (shot,) = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=1, placement_degrees=2.0)
    (rendering,) = renderings_of([shot], FilmProcess.BW_NEGATIVE, PositiveSettings())
    seen = printed(shot, rendering)
    wanted = resized(shot.log_exposure, seen.shape)[..., 1]
    assert seen.shape[1] / seen.shape[0] == pytest.approx(1.5, abs=0.02)
    assert np.corrcoef(seen.ravel(), wanted.ravel())[0, 1] > 0.9


def test_a_flat_field_takes_the_falloff_out(tmp_path: Path) -> None:
    from tether_simulator.bench import CopyStand
    from tether_simulator.bench_config import BenchConfig
    from tether_simulator.imaging.exposure import CameraExposure
    from tether_simulator.imaging.lamp import LampConfig
    from tether_simulator.imaging.sensor import SensorConfig

    config = BenchConfig(
        target="step-tablet", sensor=SensorConfig(384, 256), lamp=LampConfig(gradient_x=0.25)
    )
    bench = CopyStand(config)
    bench.hand.go_to(1)
    frame, gate = tmp_path / "frame.dng", tmp_path / "gate.dng"
    frame.write_bytes(bench.expose(CameraExposure(1 / 15, 8.0, 100.0)).raw)
    boxes = bench.patch_boxes()
    bench.hand.remove_film()
    gate.write_bytes(bench.expose(CameraExposure(1 / 60, 8.0, 100.0)).raw)
    flat = flat_field(open_mosaic(gate))
    mosaic = open_mosaic(frame)
    linear = open_linear(frame, mosaic, half=True, grey=True)
    settings = replace(PositiveSettings(), mid_density=1.0)
    rendering = Rendering(
        FilmProcess.BW_NEGATIVE, (0.7, 1.2, 0.8), mirrored=False, half=True, settings=settings
    )
    off = []
    for light in (None, flat):
        seen = print_frame(linear, rendering, tile_weights(mosaic), light) / 65535
        found = [
            (
                patch.density,
                linear_of(np.array(np.median(seen[rows, columns]))),
            )
            for patch, rows, columns in (
                (patch, slice(y0 // 2, y1 // 2), slice(x0 // 2, x1 // 2))
                for patch, (x0, y0, x1, y1) in boxes
            )
            if 0.6 < patch.density < 1.2
        ]
        density, light_seen = np.array(found).T
        off.append(np.std(np.log10(light_seen) - settings.contrast * density))
    assert off[1] < 0.3 * off[0]


def test_a_camera_that_only_libraw_knows_has_its_matrix(monkeypatch: pytest.MonkeyPatch) -> None:
    """A camera with the primaries of sRGB (IEC 61966-2-1), whatever its own balance is."""

    class Known:
        color_matrix = np.zeros((3, 4))
        rgb_xyz_matrix = np.vstack(
            [np.array(XYZ_TO_SRGB) * np.array([[0.4], [1.0], [0.6]]), np.zeros((1, 3))]
        )

        def __enter__(self) -> Known:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def open_file(self, path: str) -> None:
            pass

    monkeypatch.setattr("rawpy.RawPy", Known)
    found = np.reshape(camera_matrix(Path("any.raw")), (3, 3))
    np.testing.assert_allclose(found, np.eye(3), atol=2e-4)
    monkeypatch.setattr(Known, "rgb_xyz_matrix", np.zeros((4, 3)))
    assert camera_matrix(Path("any.raw")) == ()
