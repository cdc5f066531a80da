"""The picture's outline, judged by where the bench put it, by ISO 1754 and by scikit-image."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from skimage.transform import rotate
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.framing.lines import find_lines
from tether.measure.framing.outline import clockwise
from tether.measure.framing.position import Framing, find_framing, framing_findings
from tether.measure.survey import Survey, survey
from tether.settings import FramingSettings

NEGATIVE, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.TRANSPARENCY


def framed(
    *mishaps: str,
    process: FilmProcess = NEGATIVE,
    key: str = "135",
    frame: int = 3,
    known: float | None = None,
    **config: Any,
) -> tuple[CopyStand, Framing | None]:
    """Photograph one frame and look for its outline."""
    form = FILM_FORMATS[key]
    sensor = SensorConfig(width=1536, height=1024)
    changed: dict[str, Any] = {"seed": 3, "sensor": sensor} | config
    bench = CopyStand(BenchConfig(process=process, film_format=form, **changed))
    bench.hand.go_to(1)
    for code in mishaps:
        bench.hand.mishap(code)
    bench.hand.go_to(frame)
    picture = survey(photographed(bench, CameraExposure(1 / 15, 8.0, 100.0)))
    return bench, find_framing(picture, form, process.is_negative, FramingSettings(), known)


def error_mm(bench: CopyStand, framing: Framing) -> float:
    """Return the greatest distance of a corner from where the bench put one."""
    form = bench.config.film_format
    place = bench.film_map()
    u, v = form.picture_along / 2, form.picture_across / 2
    true = np.array([place.to_sensor(a, b) for a in (-u, u) for b in (-v, v)])
    found = np.array(framing.picture.corners)
    apart = np.linalg.norm(found[:, None] - true[None], axis=2).min(axis=1)
    return float(apart.max()) / bench.view.scale


@pytest.mark.parametrize("process", list(FilmProcess))
@pytest.mark.parametrize(
    ("key", "view"),
    [("135", "rebate"), ("135", "wide"), ("135-half", "rebate"), ("120-6x6", "rebate")],
)
def test_the_outline_is_found_to_a_tenth_of_a_millimetre(
    process: FilmProcess, key: str, view: str
) -> None:
    bench, framing = framed(process=process, key=key, framing=view)
    assert framing is not None
    assert framing.sure
    assert error_mm(bench, framing) < 0.1
    assert framing.scale == pytest.approx(bench.view.scale, rel=0.003)
    assert framing.turned == bench.view.turned
    assert not any(framing.missing.values())
    assert framing_findings(framing, FILM_FORMATS[key], FramingSettings()) == []


def test_pixels_per_inch_follow_from_the_24_by_36_mm_of_iso_1754() -> None:
    _, framing = framed()
    assert framing is not None
    across, along = framing.picture.height, framing.picture.width
    # ISO 1754: a picture of 24 mm by 36 mm; an inch is exactly 25.4 mm (since 1959).
    assert along / across == pytest.approx(36 / 24, rel=0.005)
    assert framing.pixels_per_inch == pytest.approx(along / 36 * 25.4, rel=0.003)


# Sizes of gates as lists of cameras have them, and the format that has to take them.
@pytest.mark.parametrize(
    ("key", "long_mm"),
    [("120-6x8", 76.0), ("120-6x8", 77.0), ("120-6x12", 112.0), ("120-6x12-118", 118.0)],
)
def test_published_sizes_of_120_film_are_recognised(key: str, long_mm: float) -> None:
    form = replace(FILM_FORMATS[key], picture_along=long_mm)
    bench = CopyStand(
        BenchConfig(film_format=form, seed=3, sensor=SensorConfig(width=1536, height=1024))
    )
    bench.hand.go_to(3)
    picture = survey(photographed(bench, CameraExposure(1 / 15, 8.0, 100.0)))
    framing = find_framing(picture, FILM_FORMATS[key], True, FramingSettings())
    assert framing is not None
    assert len(framing.seen) == 4
    assert framing.scale == pytest.approx(bench.view.scale, rel=0.01)


@pytest.mark.parametrize("mishap", [(), ("slipped",)])
@pytest.mark.parametrize(("key", "view"), [("135", "wide"), ("135-half", "wide")])
def test_how_far_off_the_middle_the_picture_lies(
    key: str, view: str, mishap: tuple[str, ...]
) -> None:
    bench, framing = framed(*mishap, key=key, framing=view)
    assert framing is not None
    # The bench knows where on the sensor the picture's middle is; its gate lies in the middle.
    x, y = bench.film_map().to_sensor(0.0, 0.0)
    right, down = (x - 1536 / 2) / bench.view.scale, (y - 1024 / 2) / bench.view.scale
    true = (down, right) if bench.view.turned else (right, down)
    assert framing.offset_mm == pytest.approx(true, abs=0.1)
    assert (max(abs(v) for v in true) > 2) == bool(mishap)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_a_tilted_strip_is_said_to_lie_askew_by_what_it_is(process: FilmProcess) -> None:
    bench, framing = framed("tilted-strip", process=process, placement_degrees=0.0)
    assert framing is not None
    # The bench turns the mirrored film by 2.5 degrees.
    assert framing.rotation == pytest.approx(-2.5, abs=0.05)
    remark = framing_findings(framing, bench.config.film_format, FramingSettings())
    assert [f.code for f in remark] == ["askew"]
    assert "Turn the film or its holder clockwise" in remark[0].action


def test_a_slipped_strip_is_said_to_be_cut_off_on_the_right_side() -> None:
    bench, framing = framed("slipped")
    assert framing is not None
    form = bench.config.film_format
    # 3 mm off, of which the gate forgives what rebate it shows beside the picture.
    forgiven = (bench.view.gate_along - form.picture_along) / 2
    assert max(framing.missing.values()) == pytest.approx(3 - forgiven, abs=0.15)
    (remark,) = framing_findings(framing, form, FramingSettings())
    assert remark.code == "picture-cut-off"
    left, right = framing.picture.corners[0][0], framing.picture.corners[1][0]
    side = "left" if left < 0 else "right"
    assert (left < 0) != (right > 1536)
    assert f"at the {side}" in remark.text


@pytest.mark.parametrize("view", ["rebate", "wide"])
def test_between_two_frames_is_named_as_such(view: str) -> None:
    bench, framing = framed("half-way", framing=view)
    remarks = framing_findings(framing, bench.config.film_format, FramingSettings())
    assert [f.code for f in remarks] == ["between-frames"]


@pytest.mark.parametrize("process", list(FilmProcess))
def test_without_rebate_in_view_nothing_is_claimed(process: FilmProcess) -> None:
    bench, framing = framed(process=process, framing="tight")
    assert framing is None
    assert framing_findings(framing, bench.config.film_format, FramingSettings()) == []


def test_what_is_cut_off_is_not_claimed_of_an_unsure_outline() -> None:
    bench, framing = framed("slipped")
    assert framing is not None
    unsure = replace(framing, sure=False)
    assert framing_findings(unsure, bench.config.film_format, FramingSettings()) == []


def test_four_borders_outweigh_a_scale_from_before_the_camera_was_moved() -> None:
    bench, framing = framed(known=30.0)
    assert framing is not None
    assert framing.scale == pytest.approx(bench.view.scale, rel=0.003)


def test_three_borders_must_agree_with_the_known_scale() -> None:
    bench, right = framed("slipped", known=40.0)
    assert right is not None
    assert right.scale == pytest.approx(bench.view.scale, rel=0.01)
    _, wrong = framed("slipped", known=30.0)
    assert wrong is None or not wrong.sure


def test_the_angle_of_a_border_agrees_with_scikit_image() -> None:
    """Reference: skimage.transform.rotate, anticlockwise for positive angles as displayed."""
    plain = np.full((400, 600), -3.0, np.float32)
    plain[:, 450:] = -0.5
    for degrees in (-2.0, 0.0, 1.5):
        turned = rotate(plain, degrees, mode="edge", order=1).astype(np.float32)
        line = max(find_lines(turned, 0.12, 4.0), key=lambda o: o.hit)
        assert np.degrees(clockwise("right", line)) == pytest.approx(-degrees, abs=0.3)


def test_noise_alone_has_no_outline() -> None:
    rng = np.random.default_rng(1)
    signal = rng.uniform(0.2, 0.6, (4, 500, 760)).astype(np.float32)
    noise = Survey(signal, 2, ("R", "G1", "B", "G2"))
    for negative in (True, False):
        assert find_framing(noise, FILM_FORMATS["135"], negative, FramingSettings()) is None


def test_a_picture_too_small_to_measure_has_no_outline() -> None:
    tiny = Survey(np.full((1, 20, 24), 0.5, np.float32), 2, ("Y",))
    assert find_framing(tiny, FILM_FORMATS["135"], True, FramingSettings()) is None
