"""Focus: grain physics, independence of exposure, and what the bench can do to a frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.film.curve import FILMS
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import TILES, photographed, plain
from tether.film import FilmProcess
from tether.measure.focus.sharpness import Sharpness, measure_sharpness
from tether.measure.focus.softness import compare_focus, focus_drift, reference_of
from tether.raw import Mosaic
from tether.settings import FocusSettings

COLOUR = FilmProcess.COLOUR_NEGATIVE
RNG = np.random.default_rng(8)
NOISELESS = FocusSettings(electrons=1e9)
"""For mosaics without photon noise: nothing to speak of is taken off for it."""
PLAIN = np.full((4, 6), 0.8, np.float32)
EXPOSURES = {
    FilmProcess.BW_NEGATIVE: CameraExposure(1 / 20, 8, 100),
    FilmProcess.COLOUR_NEGATIVE: CameraExposure(1 / 10, 8, 100),
    FilmProcess.TRANSPARENCY: CameraExposure(1 / 20, 8, 100),
}


def grainy(density: float, sigma: float = 0.0, electrons: float | None = None) -> Mosaic:
    """Even density with white grain of variance 0.0004 per unit of density, blurred by sigma.

    A strip of clear film at the top tells how light film can be.
    """
    relative = 1 - np.log(10) * RNG.standard_normal((1024, 1536)) * np.sqrt(4e-4 * density)
    if sigma:
        # scipy.ndimage as the independent reference for the blur.
        relative = ndimage.gaussian_filter(relative, sigma)
    signal = 0.7 * 10**-density * relative
    signal[:60] = 0.7
    if electrons:
        signal = RNG.poisson(np.maximum(signal, 0) * electrons) / electrons
    return plain(np.clip(signal, 0, 1))


def test_the_figure_is_the_variance_of_grain_per_density() -> None:
    # Relative variance of the light is ln(10)² times that of density (differential of 10^-D);
    # 0.08 of fog is added to the density, see the module.
    seen = measure_sharpness(grainy(0.8), settings=NOISELESS).overall
    # The figure is a low percentile of patches, a little under their middle.
    assert seen == pytest.approx(np.log(10) ** 2 * 4e-4 * 0.8 / 0.88, rel=0.15)


def test_density_and_exposure_do_not_change_it() -> None:
    thin, dense = (measure_sharpness(grainy(d, electrons=60_000)).overall for d in (0.4, 1.0))
    assert dense == pytest.approx(thin, rel=0.25)


@pytest.mark.parametrize("sigma", [0.6, 1.0])
def test_blur_lowers_it_as_the_gaussian_says(sigma: float) -> None:
    # The figure is the variance of a photosite less the mean of its four diagonal neighbours, over
    # that of white noise, 1.25: of blurred white noise the energy of the blur's kernel seen so.
    sharp, soft = (
        measure_sharpness(grainy(0.8, s), settings=NOISELESS).overall for s in (0, sigma)
    )
    kernel = np.zeros((41, 41))
    kernel[20, 20] = 1.0
    kernel = ndimage.gaussian_filter(kernel, sigma)
    bump = np.zeros((3, 3))
    bump[::2, ::2], bump[1, 1] = -0.25, 1.0
    expected = float(np.sum(ndimage.convolve(kernel, bump) ** 2)) / 1.25
    assert soft / sharp == pytest.approx(expected, rel=0.2, abs=2e-3)


def test_photon_noise_is_no_sharpness() -> None:
    with_noise = measure_sharpness(grainy(0.5, 6.0, electrons=55_000)).overall
    assert with_noise < 0.1 * measure_sharpness(grainy(0.5)).overall


@pytest.mark.parametrize("cfa", TILES)
def test_every_bayer_phase_gives_the_same(cfa: str) -> None:
    mosaic = grainy(0.8)
    turned = Mosaic(mosaic.data, np.array(TILES[cfa]), mosaic.channels, mosaic.black,
                    mosaic.saturation, iso=100)  # fmt: skip
    seen = measure_sharpness(turned).overall
    assert seen == pytest.approx(measure_sharpness(mosaic).overall, rel=0.1)


def test_a_sensor_without_a_mosaic_and_one_with_six_by_six() -> None:
    mosaic = grainy(0.8)
    grey = Mosaic(mosaic.data, np.zeros((1, 1), np.intp), ("Y",), (512.0,), (16_200.0,), iso=100)
    six = np.array([[1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
                    [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1]])  # fmt: skip
    trans = Mosaic(mosaic.data, six, ("R", "G", "B"), (512.0,) * 3, (16_200.0,) * 3, iso=100)
    reference = measure_sharpness(mosaic).overall
    for other in (grey, trans):
        assert measure_sharpness(other).overall == pytest.approx(reference, rel=0.15)


def test_what_cannot_tell_says_nothing() -> None:
    for signal in (0.0, 0.001, 1.0):
        nothing = measure_sharpness(plain(np.full((1024, 1536), signal)))
        assert np.isnan(nothing.overall)
        assert compare_focus(nothing, measure_sharpness(grainy(0.8))) == []
    assert reference_of([measure_sharpness(plain(np.zeros((1024, 1536))))]) is None
    assert compare_focus(measure_sharpness(grainy(0.8)), None) == []


def test_it_can_be_kept_as_numbers() -> None:
    seen = measure_sharpness(grainy(0.8))
    again = Sharpness.from_array(seen.as_array())
    assert np.array_equal(again.grid, seen.grid, equal_nan=True)
    assert again.overall == pytest.approx(seen.overall)
    foreign = Sharpness.from_array(np.ones(7, np.float32))
    assert compare_focus(foreign, seen) == []
    assert reference_of([foreign]) is None


def test_grain_as_fine_as_makers_publish_it_tells_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Data sheets give colour negatives 4 to 5 (rms at 48 µm, times 1000); the bench's has 8.

    Fewer photosites than here, 15 µm of film each, and it is lost in the noise.
    """
    monkeypatch.setitem(FILMS, COLOUR, replace(FILMS[COLOUR], granularity=0.0045))
    bench = CopyStand(
        BenchConfig(process=COLOUR, seed=12, frames=5, sensor=SensorConfig(2400, 1600))
    )
    sharp: list[Sharpness] = []
    soft: list[Sharpness] = []
    for frame in (1, 2):
        bench.hand.go_to(frame)
        for mishaps, into in (((), sharp), (("out-of-focus",), soft)):
            bench.hand.clear()
            for code in mishaps:
                bench.hand.mishap(code)
            into.append(measure_sharpness(photographed(bench, EXPOSURES[COLOUR])))
    reference = reference_of(sharp)
    assert [compare_focus(s, reference) for s in sharp] == [[], []]
    assert [f.code for s in soft for f in compare_focus(s, reference)] == ["out-of-focus"] * 2


@pytest.mark.parametrize("process", list(FilmProcess))
def test_frames_of_a_roll(process: FilmProcess) -> None:
    bench = CopyStand(
        BenchConfig(process=process, seed=12, frames=5, sensor=SensorConfig(1200, 800))
    )
    sharp: list[Sharpness] = []
    soft: list[Sharpness] = []
    tilted: list[Sharpness] = []
    for frame in range(1, 6):
        bench.hand.go_to(frame)
        for mishap, into in ((None, sharp), ("out-of-focus", soft), ("one-side-soft", tilted)):
            bench.hand.clear()
            if mishap:
                bench.hand.mishap(mishap)
            into.append(measure_sharpness(photographed(bench, EXPOSURES[process])))
    reference = reference_of(sharp)
    assert reference is not None
    assert [compare_focus(s, reference) for s in sharp] == [[]] * 5
    told = [s for s in soft if compare_focus(s, reference)]
    # Pictures that are hardly denser than clear film, or nearly black, have no grain to go by.
    assert len(told) >= 3
    codes = {f.code for s in tilted for f in compare_focus(s, reference)}
    assert codes <= {"one-side-soft", "out-of-focus"}
    assert codes


def side_by_side(values: list[float]) -> Sharpness:
    grid = np.tile(np.array(values, np.float32), (4, 1))
    return Sharpness(grid, np.full((4, 6), 1e-5, np.float32), float(np.median(values)), PLAIN)


def test_which_side_is_soft() -> None:
    reference = side_by_side([1e-3] * 6)
    right = side_by_side([1e-3, 8e-4, 6e-4, 4e-4, 2e-4, 1e-4])
    (finding,) = compare_focus(right, reference)
    assert finding.code == "one-side-soft"
    assert "right" in finding.text
    (finding,) = compare_focus(side_by_side([1e-4, 2e-4, 4e-4, 6e-4, 8e-4, 1e-3]), reference)
    assert "left" in finding.text
    upside = Sharpness(np.tile(np.array([[1.0], [4.0], [7.0], [10.0]], np.float32), (1, 6)) * 1e-4,
                       right.noise, 5e-4, PLAIN)  # fmt: skip
    (finding,) = compare_focus(upside, reference)
    assert "top" in finding.text


def test_grain_that_is_weaker_but_as_fine_is_not_out_of_focus() -> None:
    # A lamp that is dimmer than the roll leads to expect makes density, and all grain, seem less.
    reference = side_by_side([1e-3] * 6)
    weak = side_by_side([3e-4] * 6)
    assert compare_focus(weak, reference) == []
    coarser = Sharpness(weak.grid, weak.noise, weak.overall, PLAIN * np.float32(0.3))
    assert [f.code for f in compare_focus(coarser, reference)] == ["out-of-focus"]


def test_a_frame_that_is_soft_all_over_but_least_at_one_edge_is_not_parallel() -> None:
    reference = side_by_side([1e-3] * 6)
    tilted = side_by_side([5e-5, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6])
    left = np.full((4, 6), 0.004, np.float32)
    left[:, 0] = 0.2
    for finest, side in ((left, "left"), (left[:, ::-1], "right")):
        soft = Sharpness(tilted.grid, tilted.noise, tilted.overall, finest)
        (finding,) = compare_focus(soft, reference)
        assert finding.code == "one-side-soft"
        assert f"least at the {side}" in finding.text
    # Detail in one corner, or in the middle, is not an edge that is sharper.
    for place in (np.s_[0, 0], np.s_[:, 2]):
        spotted = np.full((4, 6), 0.004, np.float32)
        spotted[place] = 0.2
        soft = Sharpness(tilted.grid, tilted.noise, tilted.overall, spotted)
        assert [f.code for f in compare_focus(soft, reference)] == ["out-of-focus"]


def test_detail_of_a_blurred_picture_is_no_grain() -> None:
    # A strong pattern of 18 photosites a period, blurred by 3: first differences would see it.
    wave = 0.25 * np.sin(2 * np.pi * np.arange(1536) / 18)[None, :]
    sharp = grainy(0.8)
    soft = grainy(0.8, 3.0)
    signal = (soft.data.astype(np.float64) - 512) / (16_200 - 512)
    signal[60:] *= 1 + wave * np.exp(-((2 * np.pi * 3 / 18) ** 2) / 2)
    figures = [measure_sharpness(m, settings=NOISELESS) for m in (sharp, plain(signal))]
    assert [f.code for f in compare_focus(figures[1], figures[0])] == ["out-of-focus"]


def test_detail_in_one_half_is_no_soft_side() -> None:
    reference = side_by_side([1e-3] * 6)
    assert compare_focus(side_by_side([9e-3, 8e-3, 4e-3, 2e-3, 1e-3, 1e-3]), reference) == []


def test_drift_needs_a_steady_fall() -> None:
    falling = [1e-3 * 0.87**n for n in range(11)]
    (finding,) = focus_drift(falling)
    assert finding.code == "focus-drift"
    assert finding.value == pytest.approx(0.87**10, rel=0.01)
    assert focus_drift([1e-3] * 10) == []
    assert focus_drift(falling[:7]) == []
    assert focus_drift([*falling[:-1], 1e-3]) == []
    assert focus_drift([float("nan")] * 12) == []


def test_frames_with_much_detail_at_the_start_are_no_drift() -> None:
    # Sharpness as ten sharp frames of a made roll gave it, detail first.
    seen = [1.68e-3, 1.45e-2, 1.19e-3, 2.07e-3, 1.02e-3, 1.16e-3, 1.12e-3, 1.1e-3, 1.0e-3, 1.1e-3]
    for end in range(1, len(seen) + 1):
        assert focus_drift(seen[:end]) == []
