"""Film: geometry and grain against published figures, and invented curves against their own."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import signal
from tether_simulator.film.curve import FILMS, UNEXPOSED, selwyn_sigma
from tether_simulator.film.edges import perforations
from tether_simulator.film.step_tablet import StepTablet
from tether_simulator.film.strip import FilmStrip, StripConfig, Window
from tether_simulator.imaging.light_path import _grainy

from tether.film import FILM_FORMATS, FilmProcess

NOBODY: frozenset[tuple[int, str]] = frozenset()


def strip(process: FilmProcess = FilmProcess.BW_NEGATIVE, **kind: Any) -> FilmStrip:
    settings: dict[str, object] = {
        "film": FILMS[process],
        "form": FILM_FORMATS["135"],
        "frames": 12,
        "frames_per_strip": 6,
        "seed": 1,
        "edge_print": False,
        "number": 33,
        "extract": 7,
    }
    config = StripConfig(**{**settings, **kind})
    return FilmStrip(config, lambda frame, w, h: np.full((3, h, w), 0.1 * frame, np.float32))


def runs(line: np.ndarray) -> np.ndarray:
    """First and last index of each run of True, as rows."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(int)))
    return edges.reshape(-1, 2)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_curves_have_a_toe_a_straight_line_and_a_shoulder(process: FilmProcess) -> None:
    for curve in FILMS[process].curves:
        x = np.linspace(-4, 4, 801)
        slope = np.gradient(curve.density(x), x)
        straight = (x > curve.toe + 0.6) & (x < curve.shoulder - 0.6)
        assert slope[straight] == pytest.approx(curve.slope, rel=0.03)
        assert abs(slope[0]) < 1e-3
        assert abs(slope[-1]) < 1e-3
        assert np.all(np.sign(curve.slope) * slope >= -1e-9)
        assert curve.density(x).min() > 0


def test_base_densities_of_the_three_processes() -> None:
    # Invented films, after common sensitometric curves from memory: the mask of colour negatives is
    # densest in blue, a transparency's greatest density is about 3.5, its clearest parts below 0.3.
    red, green, blue = FILMS[FilmProcess.COLOUR_NEGATIVE].base
    assert red < green - 0.2 < blue - 0.4
    slide = FILMS[FilmProcess.TRANSPARENCY]
    assert all(3.3 < density < 3.7 for density in slide.base)
    assert all(0.0 < float(curve.density(3.0)) < 0.3 for curve in slide.curves)


def test_transmittance_follows_the_curve() -> None:
    film = FILMS[FilmProcess.COLOUR_NEGATIVE]
    x = np.linspace(-2, 3, 257, dtype=np.float32)
    seen = film.transmittance(np.broadcast_to(x, (3, 1, 257)))
    for channel, curve in enumerate(film.curves):
        assert -np.log10(seen[channel, 0]) == pytest.approx(curve.density(x), abs=5e-4)


def rms_granularity(process: FilmProcess, density: float) -> float:
    """Photograph an even field's grain in sites of 4 µm, and measure it as ISO 10505 does.

    The standard deviation of density, times 1000, through a round aperture of 48 µm.
    """
    film, site_um = FILMS[process], 4.0
    speckle = np.random.default_rng(7).standard_normal((900, 900)).astype(np.float32)
    speckle *= np.float32(selwyn_sigma(film.granularity, site_um**2))
    support = film.support[1]
    even = np.full(speckle.shape, 10 ** -(support + density), np.float32)
    light = _grainy(even, support, speckle)
    across = (np.arange(-6, 7)) * site_um
    disc = (np.hypot(*np.meshgrid(across, across)) <= 24).astype(float)
    seen = signal.fftconvolve(light, disc / disc.sum(), "valid")[::7, ::7]
    return 1000 * float(np.std(-np.log10(seen)))


def test_grain_is_as_strong_as_makers_publish_it() -> None:
    """Makers' data sheets, rms at 48 µm and a density of 1: black-and-white 8 to 17 (from memory).

    Slides 9 to 10 (read in quotation). Colour negatives 4 to 5: the bench's are coarser, which
    docs/bench.md states, and tests/measure/test_softness.py also judges films as fine as those.
    """
    assert 8 < rms_granularity(FilmProcess.BW_NEGATIVE, 1.0) < 17
    assert 9 <= rms_granularity(FilmProcess.TRANSPARENCY, 1.0) <= 10.5
    assert 1.5 < rms_granularity(FilmProcess.COLOUR_NEGATIVE, 1.0) / 5 < 2


def test_grain_goes_with_the_square_root_of_density() -> None:
    """Nutting, and Siedentopf for grains of one size: the variance is proportional to density."""
    quarter, two = (rms_granularity(FilmProcess.BW_NEGATIVE, d) for d in (0.25, 2.0))
    assert two / quarter == pytest.approx(8**0.5, rel=0.06)


def test_perforations_of_135_film() -> None:
    # SMPTE 139 states the KS perforation of ISO 491 in inches: pitch 0.1870, 0.1100 by 0.0780;
    # 2.01 mm from the edge of 35 mm film, eight to a frame of 38 mm.
    scale = 200
    u = (np.arange(38 * scale, dtype=np.float32) + 0.5) / np.float32(scale) - 19
    v = (np.arange(35 * scale, dtype=np.float32) + 0.5) / np.float32(scale) - 17.5
    holes = perforations(u, v, 35.0, 1 / scale)
    along = runs(holes[int((2.01 + 1.4) * scale)] > 0.5)
    assert len(along) == 8
    assert np.diff(along[:, 0]) / scale == pytest.approx(0.1870 * 25.4, abs=0.011)
    assert np.diff(along[3]) / scale == pytest.approx(0.0780 * 25.4, abs=0.011)
    across = runs(holes[:, along[3].mean().astype(int)] > 0.5)
    assert across[:, 0] / scale == pytest.approx([2.01, 35 - 2.01 - 2.794], abs=0.011)
    assert np.diff(across, axis=1).ravel() / scale == pytest.approx(0.1100 * 25.4, abs=0.011)


def test_pictures_of_135_film_lie_38_mm_apart() -> None:
    # ISO 1754: picture 36 x 24 mm; ISO 491: eight perforations a frame, film 35 mm wide.
    scale = 40
    window = Window(80 * scale, 37 * scale, scale, 3.0)
    seen = strip().transmittance(window, NOBODY)[1]
    base = 10 ** -FILMS[FilmProcess.BW_NEGATIVE].base[1]
    pictures = runs(seen[window.height // 2] < base * 0.8)
    whole = pictures[1]
    assert np.diff(whole)[0] / scale == pytest.approx(36.0, abs=0.03)
    assert (pictures[2, 0] - whole[0]) / scale == pytest.approx(38.0, abs=0.03)
    middle = window.width // 2 + round(0.1 * scale)
    down = runs(seen[:, middle] < base * 0.8)
    assert np.diff(down[0])[0] / scale == pytest.approx(24.0, abs=0.03)
    film = runs(seen[:, middle] < 0.9)
    assert (film[-1, 1] - film[0, 0]) / scale == pytest.approx(35.0, abs=0.03)


def test_a_strip_ends_in_the_middle_of_the_gap() -> None:
    scale = 20
    seen = strip().transmittance(Window(60 * scale, 20 * scale, scale, 6.0), NOBODY)[1]
    bare = runs(seen[200] > 0.99)
    assert bare[-1, 1] == seen.shape[1]
    assert (bare[-1, 0] - seen.shape[1] / 2) / scale == pytest.approx(19.0, abs=0.06)


def test_faults_of_a_picture() -> None:
    window = Window(400, 300, 10.0, 2.0)
    film = strip()
    base = 10 ** -FILMS[FilmProcess.BW_NEGATIVE].base[1]
    good = film.transmittance(window, NOBODY)
    at = np.s_[1, 130:170, 150:250]

    def with_fault(code: str) -> np.ndarray:
        return film.transmittance(window, frozenset({(2, code)}))

    assert with_fault("blank")[at] == pytest.approx(base, rel=1e-3)
    # Three stops are 0.9 of log exposure: times the slope in density, both ways.
    for code, sign in (("over", 1), ("under", -1)):
        change = -np.log10(with_fault(code)[at].mean() / good[at].mean())
        assert change == pytest.approx(sign * 0.6 * 3 * np.log10(2), abs=0.08)
    assert with_fault("light-struck").min() < good.min()
    assert (with_fault("scratched") != good).any()
    dusty = with_fault("dusty")
    assert 0.0005 < (dusty < good * 0.6).mean() < 0.05
    assert np.array_equal(film.transmittance(window, frozenset({(5, "blank")})), good)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_the_blank_piece_is_the_lightest_that_the_film_has(process: FilmProcess) -> None:
    film = strip(process)
    out = film.transmittance(Window(400, 240, 10, 0.0), NOBODY)  # between the perforations
    # A negative's base; a transparency's clear support.
    clear = FILMS[process].base if process.is_negative else FILMS[process].support
    densities = -np.log10(out.reshape(3, -1))
    assert densities.min(axis=1) == pytest.approx(densities.max(axis=1), abs=1e-4)
    assert densities.max(axis=1) == pytest.approx(clear, abs=0.2)


def test_unexposed_transparency_is_black() -> None:
    film = FILMS[FilmProcess.TRANSPARENCY]
    dark = film.transmittance(np.full((3, 1, 1), UNEXPOSED, np.float32))
    assert -np.log10(dark.ravel()) == pytest.approx(film.base, abs=1e-3)


def test_the_step_tablet_has_the_steps_that_are_invented_for_it() -> None:
    patches = StepTablet(FILM_FORMATS["135"]).patches
    densities = [patch.density for patch in patches]
    assert len(densities) == 21
    assert np.diff(densities) == pytest.approx(0.15)
    assert (densities[0], densities[-1]) == (0.05, pytest.approx(3.05))
