"""From a live-view JPEG to a positive, and the gauges."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from tether.bench.live_focus import NO_PEAK, FocusMeter, LiveViewUnreadable, Peak, read_live
from tether.film import FilmProcess
from tether.measure.focus.sharpness import PLACES


def jpeg(values: np.ndarray, kind: str = "JPEG") -> bytes:
    out = io.BytesIO()
    Image.fromarray(values.astype(np.uint8)).save(out, kind)
    return out.getvalue()


def negative(width: int = 600, height: int = 400) -> np.ndarray:
    """A light field with a dark square at the left: a highlight on the film."""
    values = np.full((height, width, 3), 200.0)
    values[150:250, 40:140] = 60
    return values


def test_a_negative_comes_out_positive_and_the_right_way_round() -> None:
    frame = read_live(jpeg(negative()), FilmProcess.BW_NEGATIVE)
    h, w = frame.positive.shape[:2]
    right, left = frame.positive[h // 2, round(0.85 * w), 1], frame.positive[h // 2, w // 8, 1]
    assert right > left, "the film's dark square prints light, and mirrored"
    plain = read_live(jpeg(negative()), FilmProcess.BW_NEGATIVE, mirrored=False)
    assert plain.positive[h // 2, w // 8, 1] > plain.positive[h // 2, round(0.85 * w), 1]


def test_a_transparency_stays_as_it_is() -> None:
    frame = read_live(jpeg(negative()), FilmProcess.TRANSPARENCY, mirrored=False)
    h, w = frame.positive.shape[:2]
    assert frame.positive[h // 2, w // 8, 1] < frame.positive[h // 2, round(0.85 * w), 1]


def test_the_places_are_those_of_what_is_shown() -> None:
    rng = np.random.default_rng(1)
    values = np.full((400, 600, 3), 128.0)
    values[:160, :240] += 40 * rng.standard_normal((160, 240, 1))
    frame = read_live(jpeg(np.clip(values, 0, 255)), FilmProcess.BW_NEGATIVE)
    assert max(frame.sharpness, key=lambda place: frame.sharpness[place]) == "upper right"


def test_a_view_without_base_is_not_left_dark() -> None:
    flat = np.full((400, 600, 3), 150.0)
    frame = read_live(jpeg(flat), FilmProcess.BW_NEGATIVE)
    # 18 per cent is 118 in sRGB (IEC 61966-2-1).
    assert abs(int(frame.positive[100, 100, 0]) - 118) < 12


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xd8\xff",
        b"not a picture at all",
        jpeg(negative())[:700],
        jpeg(negative(), "PNG"),
        jpeg(np.zeros((8, 8, 3))),
        jpeg(np.zeros((16, 5000, 3))),
    ],
    ids=["nothing", "start only", "text", "cut short", "another format", "tiny", "huge"],
)
def test_what_is_no_live_picture_is_refused(data: bytes) -> None:
    with pytest.raises(LiveViewUnreadable):
        read_live(data, FilmProcess.BW_NEGATIVE)


def figures(middle: float, corners: float) -> dict[str, float]:
    return {place: middle if place == "middle" else corners for place in PLACES}


def test_the_best_is_remembered_until_it_is_forgotten() -> None:
    meter = FocusMeter(0.6)
    assert all(gauge.best for gauge in meter.read(figures(1.0, 0.5)))
    later = {g.place: g for g in meter.read(figures(0.5, 0.6))}
    assert later["middle"].share == pytest.approx(0.5)
    assert not later["middle"].best
    assert later["upper left"].best
    meter.reset()
    assert all(gauge.best for gauge in meter.read(figures(0.1, 0.1)))


def test_a_blurred_picture_is_no_peak_however_often_it_is_seen() -> None:
    """The first picture is the best of one: only what rose and fell again is called sharp."""
    meter = FocusMeter(0.6)
    for middle in (0.1, 0.1, 0.09, 0.05, 0.1, 0.101):
        gauges = meter.read(figures(middle, middle))
    # It fell and came back, as it does where the ring was turned the wrong way first.
    assert not any(gauge.passed for gauge in gauges)
    assert meter.remark(gauges) == NO_PEAK
    for middle in (0.2, 0.6, 1.0, 0.97, 0.7):
        gauges = meter.read(figures(middle, middle))
    assert all(gauge.passed for gauge in gauges)
    assert meter.remark(gauges) == ""
    assert meter.read(figures(0.98, 0.98))[0].share == pytest.approx(0.98)
    # Sharper still, on another frame say: the peak is not there yet.
    assert not meter.read(figures(1.2, 1.2))[0].passed


def test_the_best_outlives_the_screen() -> None:
    seen: dict[str, Peak] = {}
    meter = FocusMeter(0.6, seen)
    for middle in (0.2, 1.0, 0.5):
        meter.read(figures(middle, middle))
    again = FocusMeter(0.6, seen).read(figures(0.1, 0.1))
    assert again[0].share == pytest.approx(0.1)
    assert again[0].passed


def test_nothing_to_see_is_no_best() -> None:
    gauges = FocusMeter(0.6).read(dict.fromkeys(PLACES, 0.0))
    assert not any(gauge.best or gauge.share for gauge in gauges)


def test_corners_that_are_sharp_elsewhere_are_named() -> None:
    meter = FocusMeter(0.6)
    for middle, corners in ((0.4, 1.0), (1.0, 0.9), (0.6, 0.5)):
        meter.read(figures(middle, corners))
    there = meter.read(figures(1.0, 0.95))
    assert meter.remark(there) == ""
    tilted = figures(1.0, 0.95) | {"lower right": 0.3}
    assert "not lower right" in meter.remark(meter.read(tilted))
    assert meter.remark(meter.read(figures(0.5, 0.3))) == "", "nothing is in focus yet"
