"""Frames with nothing on them, and frames with very little."""

from __future__ import annotations

import math

import numpy as np

from tests.measure.on_bench import plain
from tether.measure.film.blank import empty_negative, empty_transparency
from tether.measure.survey import Survey, survey


def _field(level: float, falloff: float = 0.0, mask: bool = False) -> Survey:
    y, x = np.mgrid[-1:1:640j, -1:1:960j]
    signal = level * 2 ** (-falloff * (x * x + y * y) / 2)
    signal += 0.004 * np.random.default_rng(1).standard_normal(signal.shape)
    if mask:
        signal[:30] = signal[-30:] = 0
        signal[:, :40] = signal[:, -40:] = 0
    return survey(plain(np.clip(signal, 0, 1)))


def _said(picture: Survey, base: float | None, inset: int = 40) -> str:
    where = np.zeros(picture.main.shape, bool)
    where[inset:-inset, inset:-inset] = True
    found = empty_negative(picture, where, None if base is None else math.log2(base))
    return found.code if found else ""


def test_base_all_over_is_a_blank_frame() -> None:
    assert _said(_field(0.6), 0.6) == "blank-frame"


def test_falloff_and_the_gates_mask_do_not_hide_it() -> None:
    assert _said(_field(0.6, falloff=0.4, mask=True), 0.6) == "blank-frame"


def test_lighter_than_base_is_no_film() -> None:
    assert _said(_field(0.9), 0.5) == "no-film"


def test_one_dense_tone_is_not_called_blank() -> None:
    assert _said(_field(0.2), 0.6) == "even-frame"


def test_without_a_known_base_only_the_evenness_is_told() -> None:
    assert _said(_field(0.6), None) == "even-view"


def test_a_small_thin_figure_is_a_picture() -> None:
    signal = np.full((640, 960), 0.6)
    signal[300:340, 400:460] = 0.45
    assert _said(survey(plain(signal)), 0.6) == ""


def test_a_gradient_is_a_picture() -> None:
    signal = np.tile(np.linspace(0.2, 0.6, 960), (640, 1))
    assert _said(survey(plain(signal)), 0.6) == ""


def test_a_black_transparency_is_blank_and_a_dark_one_is_not() -> None:
    for level, blank in ((0.0005, True), (0.02, False)):
        picture = survey(plain(np.full((640, 960), level)))
        where = np.ones(picture.main.shape, bool)
        assert (empty_transparency(picture, where) is not None) is blank
