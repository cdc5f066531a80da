"""Tones: black-and-white positives have a black, and contrasts are what their names say."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.positive.photographed import photograph, printed, renderings_of
from tether.cli.main import app
from tether.cli.options import CONTRAST
from tether.film import FilmProcess
from tether.positive.printing import print_frame
from tether.positive.rendering import CONTRASTS, Brief, Rendering, roll_renderings
from tether.positive.sample import Sample, take_sample
from tether.positive.tones import base_luminance, negative_tones, print_range
from tether.raw import open_mosaic
from tether.settings import PositiveSettings

USUAL = PositiveSettings()
OF_CONTRAST = {
    "soft": replace(USUAL, contrast=USUAL.soft_contrast),
    "normal": USUAL,
    "hard": replace(USUAL, contrast=USUAL.hard_contrast),
}


def grey(density: float, settings: PositiveSettings = USUAL) -> int:
    """Return the value of 0..255 at which a density above base prints."""
    least = base_luminance(settings)
    return round(255 * float(negative_tones(10**-density, settings, least=least)))


def rendering_of(density: tuple[float, ...], contrast: str = "normal") -> Rendering:
    """Return the rendering of a black-and-white frame whose samples have those densities."""
    signals = tuple((0.5 * 10**-d,) * 3 for d in density)
    sample = Sample(1.0, (0.5, 0.5, 0.5), (1.0, 1.0, 1.0), signals)
    brief = Brief("a", sample, base=(0.5, 0.5, 0.5), contrast=contrast)
    return roll_renderings(FilmProcess.BW_NEGATIVE, [brief], USUAL, half=True)["a"]


@pytest.mark.parametrize("contrast", OF_CONTRAST)
def test_film_base_prints_black_and_midtones_stay(contrast: str) -> None:
    settings = OF_CONTRAST[contrast]
    assert grey(0.0, settings) <= 10, "of 255"
    # 18 per cent is 118 in sRGB (IEC 61966-2-1).
    assert grey(settings.mid_density, settings) == pytest.approx(118, abs=5)
    without = round(255 * float(negative_tones(1.0, settings)))
    assert grey(0.0, settings) < without - 5


def test_the_base_of_a_photographed_frame_is_black(tmp_path: Path) -> None:
    shots = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=5)
    renderings = renderings_of(shots, FilmProcess.BW_NEGATIVE, USUAL)
    assert len({r.settings for r in renderings}) == 1, "one setting for the roll"
    for shot, rendering in zip(shots, renderings, strict=True):
        whole = 255 * printed(shot, replace(rendering, outline=None))
        # The rebate beside the picture, on the bench above and below it.
        assert np.median(whole[2:5, 60:-60]) <= 10


def test_contrasts_are_named_by_the_range_that_a_tablet_shows(tmp_path: Path) -> None:
    """ISO 6846 as `print_range` states it, here read from a photographed step tablet."""
    (shot,) = photograph(tmp_path, FilmProcess.BW_NEGATIVE, frames=1, target="step-tablet")
    density, boxes = zip(*shot.boxes, strict=True)
    base = take_sample(open_mosaic(shot.path), FilmProcess.BW_NEGATIVE, None).lightest
    words = " ".join(CliRunner().invoke(app, ["deliver", "--help"]).output.split())
    named = {
        name: int(r) for name, r in re.findall(r"(soft|normal|hard) \((?:ISO )?R (\d+)\)", words)
    }
    assert named.keys() == OF_CONTRAST.keys()
    for contrast, settings in OF_CONTRAST.items():
        low, high = print_range(settings)
        assert 100 * (high - low) == pytest.approx(named[contrast], abs=2.5)
        # Of the first step's density, which is this film's base here.
        rendering = Rendering(
            FilmProcess.BW_NEGATIVE, base, mirrored=False, half=True, settings=settings, black=0.0
        )
        seen = printed(shot, rendering)
        value = np.array(
            [np.median(seen[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2]) for x0, y0, x1, y1 in boxes]
        )
        light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
        dark = -np.log10(np.maximum(light, 1e-4))
        above = np.array(density) - density[0]
        ends = np.interp((-0.9 * 2.1, -0.04), -dark, above)  # a glossy paper's black: 2.1
        assert 100 * (ends[1] - ends[0]) == pytest.approx(named[contrast], abs=8)


def test_a_frames_own_contrast_fills_the_print() -> None:
    for thin, dense in ((0.05, 0.7), (1.0, 2.2), (0.1, 1.3)):
        rendering = rendering_of(tuple(np.linspace(thin, dense, 200)), "own")
        assert rendering.black is not None
        assert rendering.black == pytest.approx(thin, abs=0.02)
        least = base_luminance(rendering.settings, rendering.shift, rendering.black)
        low, high = (
            255 * float(
                negative_tones(10**-d, rendering.settings, offset=rendering.shift, least=least)
            )
            for d in (thin, dense)
        )  # fmt: skip
        assert low <= 12
        assert high >= 240
    usual = rendering_of(tuple(np.linspace(1.0, 2.2, 200)))
    assert usual.settings == USUAL


def test_contrasts_of_the_command_line_are_those_that_there_are() -> None:
    assert [CONTRAST.convert(name, None, None) for name in CONTRASTS] == [
        (0, name) for name in CONTRASTS
    ]
    made = {name: rendering_of((0.3, 0.6, 0.9), name).settings.contrast for name in CONTRASTS}
    assert made["soft"] < made["normal"] < made["hard"]


def test_what_clips_on_a_transparency_is_white() -> None:
    """The lamp's colour shows in the raw values: red clips last, and white was pink by it."""
    neutral = (0.58, 1.0, 0.68)
    whites = [Sample(light, tuple(min(0.97, n * light) for n in neutral), neutral, ((0.2,) * 3,))  # type: ignore[arg-type]
              for light in (0.9, 2.0)]  # fmt: skip
    made = roll_renderings(
        FilmProcess.TRANSPARENCY,
        [Brief(str(n), s) for n, s in enumerate(whites)],
        USUAL,
        half=True,
    )
    matrix = (1.6, -0.4, -0.2, -0.2, 1.5, -0.3, 0.0, -0.5, 1.5)

    class Clipped:
        planes, shape, step = 3, (8, 8), 1

        def band(self, rows: slice, columns: slice) -> np.ndarray:
            return np.full((3, rows.stop - rows.start, columns.stop - columns.start), 0.99, "f4")

    for rendering in made.values():
        seen = print_frame(Clipped(), replace(rendering, matrix=matrix), (0, 0, 0))
        assert seen.min() >= 65533
