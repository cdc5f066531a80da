"""Frames on made sleeve pages; the homography against scikit-image's."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image
from tether_simulator.film.curve import FILMS
from tether_simulator.film.scenes import paint
from tether_simulator.film.sleeve_page import FloatArray, SleevePage, photographed

from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.proof.frames import find_frames
from tether.measure.proof.strips import find_strips, homography, through


def page_of(
    process: FilmProcess, key: str, strips: tuple[int, ...], **more: object
) -> tuple[SleevePage, Image.Image, list[FloatArray]]:
    page = SleevePage(FILMS[process], FILM_FORMATS[key], strips, scale=4.0, **more)  # type: ignore[arg-type]
    colour = process is not FilmProcess.BW_NEGATIVE
    return page, *photographed(page, lambda n, w, h: paint(n, page.seed, w, h, colour))


def light_of(image: Image.Image) -> FloatArray:
    value = np.asarray(image, np.float32) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear.mean(axis=2), np.float32)


@pytest.mark.parametrize(
    ("process", "key", "strips"),
    [
        (FilmProcess.BW_NEGATIVE, "135", (6, 0, 5, 1)),
        (FilmProcess.COLOUR_NEGATIVE, "120-6x6", (3, 2)),
        (FilmProcess.TRANSPARENCY, "135", (4, 4)),
    ],
)
@pytest.mark.parametrize("upright", [False, True], ids=["lying", "upright"])
def test_each_frame_is_found_in_order_and_where_it_lies(
    process: FilmProcess, key: str, strips: tuple[int, ...], upright: bool
) -> None:
    page, image, truth = page_of(
        process, key, strips, seed=5, tilt_degrees=2.5, perspective=0.03, blank=frozenset({2})
    )
    if upright:
        # Strips that stand are read from the left, each from its top.
        image = image.transpose(Image.Transpose.ROTATE_270)
        truth = [
            np.column_stack([image.width - c[:, 1], c[:, 0]]).astype(np.float32) for c in truth
        ]
    found = find_strips(light_of(image), page.form)
    if upright:
        found = found[::-1]
    assert len(found) == sum(n > 0 for n in strips)
    frames = [corners for strip in found for corners in find_frames(strip, page.form, process)]
    assert len(frames) == sum(strips)
    for number, (corners, true) in enumerate(zip(frames, truth, strict=True), 1):
        away = np.hypot(*(corners - true).T).max() / page.scale
        assert away < (2.0 if number != 2 else 3.0), f"frame {number} is {away:.1f} mm off"


@pytest.mark.parametrize("what", ["bare table", "prints", "noise", "dark"])
def test_where_no_film_lies_none_is_found(what: str) -> None:
    rng = np.random.default_rng(3)
    light = np.full((600, 800), 0.8, np.float32)
    if what == "prints":
        for x in (60, 420):
            for y in (50, 320):
                light[y : y + 220, x : x + 310] = 0.3
    elif what == "noise":
        light[:] = rng.random(light.shape)
    elif what == "dark":
        light[:] = 0.001
    form = FILM_FORMATS["135"]
    strips = find_strips(light, form)
    assert all(len(find_frames(s, form, FilmProcess.BW_NEGATIVE)) <= 1 for s in strips)


def test_homography_is_scikit_images_projective_transform() -> None:
    transform = pytest.importorskip("skimage.transform")
    source = np.array([(0.0, 0.0), (230.0, 0.0), (230.0, 35.0), (0.0, 35.0)])
    target = np.array([(103.0, 98.0), (1011.0, 60.0), (1020.0, 205.0), (99.0, 240.0)])
    reference = transform.ProjectiveTransform.from_estimate(source, target)
    inside = np.array([(10.0, 5.0), (115.0, 17.5), (229.0, 34.0)])
    assert np.allclose(through(homography(source, target), inside), reference(inside), atol=1e-6)
