"""The bench's optics against textbooks, handbooks, and rays drawn one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from tether.film import FILM_FORMATS
from tether.measure import optics

magnifications = st.floats(0.05, 5.0)
f_numbers = st.floats(1.4, 32.0)
pupil_ratios = st.floats(0.3, 3.0)


def bessel_j1(x: float) -> float:
    """J1 from its integral, Digital Library of Mathematical Functions, 10.9.2."""
    angle = (np.arange(2000) + 0.5) * np.pi / 2000
    return float(np.mean(np.cos(angle - x * np.sin(angle))))


def test_the_airy_constant_is_the_first_zero_of_j1() -> None:
    """Abramowitz and Stegun, table 9.5: the first zero of J1 lies at 3.83171 (from memory)."""
    low, high = 3.0, 4.5
    while high - low > 1e-9:
        middle = (low + high) / 2
        low, high = (middle, high) if bessel_j1(middle) > 0 else (low, middle)
    assert low == pytest.approx(3.83171, abs=1e-5)
    assert pytest.approx(2 * low / math.pi, rel=1e-3) == optics.AIRY


def test_airy_disc_as_in_a_physics_textbook() -> None:
    """A problem of University Physics, 14th edition (its number is from memory: 36.40).

    An opening of 2.3 mm parts two points a sixtieth of a degree apart in light of 550 nm.
    """
    focal = 17.0
    radius_mm = optics.airy_diameter_um(focal / 2.3, 0.55) / 2 / 1000
    assert math.degrees(radius_mm / focal) == pytest.approx(1 / 60, rel=0.02)


def contrast_by_overlap(v: float) -> float:
    """The common area of two discs shifted against each other, counted on a grid."""
    side = (np.arange(2001) - 1000) / 1000
    x, y = np.meshgrid(side, side)
    one = (x + v) ** 2 + y**2 <= 1
    other = (x - v) ** 2 + y**2 <= 1
    return float((one & other).sum() / (x**2 + y**2 <= 1).sum())


@pytest.mark.parametrize("v", [0.1, 0.4, 0.7, 0.9])
def test_contrast_is_the_overlap_of_two_pupils(v: float) -> None:
    """The autocorrelation of the pupil, as textbooks of Fourier optics derive it."""
    cutoff = optics.optical_cutoff(16.0, 0.55)
    found = optics.diffraction_contrast(v * cutoff, 16.0, 0.55)
    assert found == pytest.approx(contrast_by_overlap(v), abs=2e-3)


def test_contrast_at_the_ends() -> None:
    """Practical Optical System Layout (1997), pp. 120-121, has the formula; the rest is arithmetic.

    About half is left at 40 per cent of the cut-off, and about a tenth at 80.
    """
    cutoff = optics.optical_cutoff(8.0, 0.5)
    assert cutoff == 250.0
    assert optics.diffraction_contrast(0.4 * cutoff, 8.0, 0.5) == pytest.approx(0.5046, abs=1e-4)
    assert optics.diffraction_contrast(0.8 * cutoff, 8.0, 0.5) == pytest.approx(0.1041, abs=1e-4)
    assert optics.diffraction_contrast(2 * cutoff, 8.0, 0.5) == 0.0


def test_thin_lens_as_in_a_physics_textbook() -> None:
    """College Physics, section 25.6 (from memory).

    A bulb 0.75 m from a lens of 0.50 m gives an image at 1.50 m, twice its size.
    """
    assert optics.object_distance(500.0, 2.0) == pytest.approx(750.0)
    assert optics.image_distance(500.0, 2.0) == pytest.approx(1500.0)


@given(st.floats(10, 300), magnifications)
def test_distances_obey_the_lens_equation(focal: float, m: float) -> None:
    to_film, to_sensor = optics.object_distance(focal, m), optics.image_distance(focal, m)
    assert 1 / to_film + 1 / to_sensor == pytest.approx(1 / focal)
    assert to_sensor / to_film == pytest.approx(m)


def test_exposure_factors_of_handbooks() -> None:
    """Army correspondence course SS0512 on copying, and a textbook of photography.

    The course: an extension of 18 inches with a 12-inch lens needs 2.25 times the exposure, and
    8 inches drawn from 12 need 2.8 times; 8 s at the factor of 2.25 become
    18 s (p. 44). DOI 10.4324/9780080494012-22: half size needs 2 1/4
    times with an 80 mm lens.
    """
    factor = 2 ** optics.light_lost_ev(0.5)
    assert factor == pytest.approx(2.25)
    assert optics.image_distance(12.0, 0.5) == 18.0
    assert 2 ** optics.light_lost_ev(8 / 12) == pytest.approx(2.8, abs=0.03)
    assert 8 * factor == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("n", "p", "working", "depth"),
    [(6.766, 0.756, 15.0325, 0.31051), (3.778, 1.943, 5.5726, 0.11511)],
)
def test_a_lens_of_two_elements_traced_ray_by_ray(
    n: float, p: float, working: float, depth: float
) -> None:
    """Two thin lenses with the stop between them, traced outside this program at m = 0.923.

    Rays through the stop's rim gave the cone of light at the sensor, and, for a blur of 8.8 µm, the
    depth at the film. The pupil ratio follows from the lenses; nothing of the formulas was used.
    Aperture and pupil ratio are rounded here.
    """
    assert optics.working_aperture(n, 0.923, p) == pytest.approx(working, rel=5e-4)
    assert optics.depth_at_film(n, 0.923, 8.8e-3, p) == pytest.approx(depth, rel=5e-4)


def test_the_disc_inside_the_first_dark_ring_holds_its_share_of_the_light() -> None:
    """Lord Rayleigh: 1 - J0² - J1² of the light, 83.78 per cent at the first zero of J1."""
    radius_um = optics.airy_diameter_um(8.0, 0.5) / 2
    ends = np.linspace(1e-6, math.pi * radius_um / (0.5 * 8.0), 4001)
    light = (2 * special.j1(ends) / ends) ** 2 * ends
    # The whole of the pattern: the integral of (2 J1(x) / x)² x from 0 to infinity is 2.
    assert np.trapezoid(light, ends) / 2 == pytest.approx(0.8378, abs=5e-4)


def test_life_size_costs_two_stops_and_doubles_the_f_number() -> None:
    """Every handbook of close-up work: exposure factor (m + 1)^2."""
    assert optics.light_lost_ev(1.0) == 2.0
    assert optics.working_aperture(8.0, 1.0) == 16.0


def blur_of_a_point(n: float, m: float, p: float, shift: float) -> float:
    """Draw the rays: blur at the sensor of a point on the axis, ``shift`` away from focus.

    The film sees the entrance pupil, f / n across, from f (1 / m + 1 / p); the rays from the
    point to the pupil's rim cross the plane of focus in a patch, which is drawn m times as large.
    """
    focal = 100.0
    pupil, distance = focal / n, focal * (1 / m + 1 / p)
    return m * pupil * abs(shift) / (distance + shift)


@given(f_numbers, magnifications, pupil_ratios)
def test_depth_at_film_by_rays(n: float, m: float, p: float) -> None:
    """At both ends of the depth of field a point is drawn as large as was allowed."""
    blur = 1e-4
    half = optics.depth_at_film(n, m, blur, p) / 2
    for shift in (half, -half):
        assert blur_of_a_point(n, m, p, shift) == pytest.approx(blur, rel=0.01)


def test_depth_at_film_of_a_symmetrical_lens_from_the_lens_equation() -> None:
    """Both ends of the depth imaged with 1/u + 1/v = 1/f; the cone of light cut by the sensor."""
    focal, n, m, blur = 60.0, 8.0, 1.0, 0.01
    half = optics.depth_at_film(n, m, blur) / 2
    sensor = optics.image_distance(focal, m)
    for shift in (half, -half):
        image = 1 / (1 / focal - 1 / (optics.object_distance(focal, m) + shift))
        patch = focal / n * abs(image - sensor) / image
        assert patch == pytest.approx(blur, rel=0.01)


def test_depth_in_round_numbers() -> None:
    """2 N c (m + 1) / m^2 at life size: 4 N c, so f/8 and 0.01 mm give 0.32 mm."""
    assert optics.depth_at_film(8.0, 1.0, 0.01) == pytest.approx(0.32)
    assert optics.aperture_for_depth(0.32, 1.0, 0.01) == pytest.approx(8.0)


def test_a_picture_of_135_film_fills_a_sensor_of_its_size() -> None:
    """ISO 1754: the picture is 24 x 36 mm. With no rebate it is taken at life size."""
    film = FILM_FORMATS["135"]
    picture = (film.picture_along, film.picture_across)
    assert optics.filling_magnification(picture, (36.0, 24.0), 0.0) == 1.0
    assert optics.filling_magnification(picture, (24.0, 36.0), 1.0) == pytest.approx(24 / 26)


@given(
    st.tuples(st.floats(5, 100), st.floats(5, 100)),
    st.tuples(st.floats(5, 100), st.floats(5, 100)),
    st.floats(0, 5),
)
def test_the_picture_fits_and_touches(
    picture: tuple[float, float], sensor: tuple[float, float], margin: float
) -> None:
    m = optics.filling_magnification(picture, sensor, margin)
    taken = [
        m * (on_film + 2 * margin) / on_sensor
        for on_film, on_sensor in zip(sorted(picture), sorted(sensor), strict=True)
    ]
    assert max(taken) == pytest.approx(1.0)


def test_pixels_per_inch_at_life_size() -> None:
    """An inch is 25.4 mm: 5 micrometre pixels at life size sample 5080 times an inch."""
    assert optics.pixels_per_inch(1.0, 5.0) == pytest.approx(5080.0)
    assert optics.pixels_per_inch(0.5, 5.0) == pytest.approx(2540.0)


@given(st.floats(1, 12), st.floats(0.35, 1.1))
def test_balances_are_where_they_are_said_to_be(pitch: float, wavelength: float) -> None:
    meets = optics.cutoff_meets_nyquist(pitch, wavelength)
    assert optics.optical_cutoff(meets, wavelength) == pytest.approx(optics.nyquist(pitch))
    covers = optics.airy_covers(2.0, pitch, wavelength)
    assert optics.airy_diameter_um(covers, wavelength) == pytest.approx(2 * pitch)


@given(f_numbers, magnifications, pupil_ratios)
def test_marked_and_working_aperture_undo_each_other(n: float, m: float, p: float) -> None:
    assert optics.marked_aperture(optics.working_aperture(n, m, p), m, p) == pytest.approx(n)


def test_spacers() -> None:
    """A lens of 100 mm that reaches half size by itself stands out 50 of the 100 mm needed."""
    assert optics.spacer(100.0, 1.0, 0.5) == pytest.approx(50.0)
    assert optics.spacer(100.0, 1.0, 0.0) == optics.extension(100.0, 1.0) == 100.0
    assert optics.spacer(100.0, 0.4, 0.5) == 0.0


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_numbers_that_make_no_sense_are_refused(bad: float) -> None:
    for call in (
        lambda: optics.working_aperture(bad, 1.0),
        lambda: optics.working_aperture(8.0, bad),
        lambda: optics.depth_at_film(8.0, 1.0, bad),
        lambda: optics.filling_magnification((bad, 24.0), (36.0, 24.0), 1.0),
        lambda: optics.pixels_per_inch(1.0, bad),
        lambda: optics.nyquist(bad),
    ):
        with pytest.raises(ValueError, match="must be above zero"):
            call()
    with pytest.raises(ValueError, match="margin"):
        optics.filling_magnification((36.0, 24.0), (36.0, 24.0), -1.0)
    with pytest.raises(ValueError, match="closest"):
        optics.spacer(100.0, 1.0, math.nan)
