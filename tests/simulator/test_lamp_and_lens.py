"""Lamp and lens: against CIE tables, integrals and the Airy pattern, and true to their formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special
from tether_simulator.imaging.lamp import LampConfig, _planck, balance, evenness, flicker_rows
from tether_simulator.imaging.optics import OpticsConfig, blur, blur_sigma, dust_plane, falloff

AXIS = np.linspace(-1, 1, 101, dtype=np.float32)


def test_the_lamps_colour_follows_planck() -> None:
    # Relative spectral power of CIE standard illuminant A (ISO/CIE 11664-2, table), a
    # black body of about 2856 K.
    reference = _planck(560, 2855.5)
    for nanometres, power in ((460, 37.81), (500, 59.86), (600, 129.04)):
        assert 100 * _planck(nanometres, 2855.5) / reference == pytest.approx(power, rel=2e-3)


def test_balance_is_neutral_at_5000_kelvin_and_warm_below() -> None:
    assert balance(5000) == pytest.approx((1, 1, 1))
    red, green, blue = balance(3200)
    assert red > green > blue


def test_whole_periods_of_flicker_average_away() -> None:
    lamp = LampConfig(flicker=0.2, flicker_hz=100)
    assert flicker_rows(lamp, 64, 0.02, 0.03, 0.3) == pytest.approx(1.0, abs=1e-6)


def test_flicker_is_the_integral_over_each_rows_exposure() -> None:
    lamp = LampConfig(flicker=0.2, flicker_hz=120)
    rows = flicker_rows(lamp, 40, 0.003, 0.030, 0.25)
    for row in (0, 7, 39):
        start = row / 40 * 0.030
        t = np.linspace(start, start + 0.003, 20_001)
        light = 1 + 0.2 * np.cos(2 * np.pi * (120 * t + 0.25))
        assert rows[row] == pytest.approx(np.trapezoid(light, t) / 0.003, abs=1e-5)


def test_a_steady_lamp_has_no_bands() -> None:
    assert np.all(flicker_rows(LampConfig(), 10, 0.001, 0.03, 0.1) == 1)


def test_uneven_light() -> None:
    lamp = LampConfig(hot_spot=0.0, gradient_x=0.2)
    seen = evenness(lamp, AXIS[None, :], AXIS[:, None])
    assert seen[50, 100] / seen[50, 0] == pytest.approx(1.2 / 0.8)


def test_natural_falloff_is_cos_to_the_fourth() -> None:
    lens = OpticsConfig(focal_mm=50.0, lens_falloff=0.0)
    seen = falloff(lens, 8.0, 1.0, (18.0, 12.0), (AXIS[None, :], AXIS[:, None]))
    angle = np.arctan(np.hypot(18, 12) / 100)
    assert seen[0, 0] == pytest.approx(np.cos(angle) ** 4, rel=1e-5)
    assert seen[50, 50] == pytest.approx(1)


def test_stopping_down_evens_the_corners() -> None:
    lens = OpticsConfig()
    corners = [
        falloff(lens, n, 1.0, (18.0, 12.0), (AXIS[None, :], AXIS[:, None]))[0, 0] for n in (2.8, 8)
    ]
    assert corners[0] < corners[1] < 1


def test_blur_grows_with_defocus_and_shrinks_with_the_aperture() -> None:
    # c = d m² / (N (m + 1)); a disc's standard deviation along one axis is c / 4.
    wide, narrow = (float(blur_sigma(np.array(2.0), n, 1.0, 0.004)) * 0.004 for n in (2.8, 5.6))
    assert wide == pytest.approx(2.0 / (2.8 * 2) / 4, rel=0.01)
    assert narrow == pytest.approx(wide / 2, rel=0.02)


@pytest.mark.parametrize("n", [4.0, 8.0, 16.0])
def test_in_focus_the_blur_is_as_wide_as_the_airy_pattern(n: float) -> None:
    """The normal distribution that fits the pattern of a round pupil best, by least squares."""
    working, wavelength = 2 * n, 0.00055
    r = np.linspace(1e-9, 3 * wavelength * working, 2001)
    x = np.pi * r / (wavelength * working)
    pattern = (2 * special.j1(x) / x) ** 2
    (fitted,), _ = optimize.curve_fit(
        lambda r, s: np.exp(-(r**2) / (2 * s**2)), r, pattern, p0=[0.3 * wavelength * working]
    )
    assert fitted == pytest.approx(0.4254 * wavelength * working, rel=2e-3)
    assert float(blur_sigma(np.array(0.0), n, 1.0, 1.0)) == pytest.approx(fitted, rel=0.02)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0, 9.0])
def test_blur_has_the_width_that_is_asked_for(sigma: float) -> None:
    plane = np.zeros((129, 129), np.float32)
    plane[64, 64] = 1
    seen = blur(plane, np.array(sigma)).astype(np.float64)
    x = np.arange(129) - 64
    assert seen.sum() == pytest.approx(1, abs=1e-3)
    assert np.sqrt((seen.sum(axis=0) * x**2).sum()) == pytest.approx(sigma, rel=0.05)


def test_one_side_can_be_softer() -> None:
    plane = np.zeros((64, 400), np.float32)
    plane[:, ::20] = 1
    seen = blur(plane, np.linspace(0, 8, 400))
    contrast = [np.ptp(seen[32, part]) for part in (np.s_[20:80], np.s_[160:240], np.s_[320:380])]
    assert contrast[0] > contrast[1] > contrast[2]


def test_dust_stays_where_it_is() -> None:
    one, two = (dust_plane(5, 96, 64, np.random.default_rng(4)) for _ in range(2))
    assert np.array_equal(one, two)
    assert 0.2 < one.min() < 0.9
    assert np.median(one) == pytest.approx(1, abs=0.02)
