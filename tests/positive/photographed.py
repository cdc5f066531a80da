"""Film photographed on the simulated bench, as files."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.film import scenes as scene
from tether_simulator.film.curve import FILMS
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tether.facts import Corners
from tether.film import FilmProcess
from tether.positive.linear import camera_matrix, open_linear, tile_weights
from tether.positive.printing import is_grey, print_frame
from tether.positive.rendering import Brief, Rendering, roll_renderings
from tether.positive.sample import take_sample
from tether.positive.tones import encoded
from tether.raw import open_mosaic
from tether.settings import PositiveSettings

#: Exposures that put the base (or the whites) half a stop under saturation on the bench.
SECONDS = {
    FilmProcess.BW_NEGATIVE: 1 / 15,
    FilmProcess.COLOUR_NEGATIVE: 1 / 12,
    FilmProcess.TRANSPARENCY: 1 / 20,
}


@dataclass
class Shot:
    """A raw file, where the picture lies in it, and the log exposure of the scene, (3, h, w)."""

    path: Path
    outline: Corners
    log_exposure: np.ndarray
    boxes: list[tuple[float, tuple[int, int, int, int]]] = field(default_factory=list)


def photograph(
    folder: Path, process: FilmProcess, frames: int, seed: int = 1, **more: Any
) -> list[Shot]:
    """Photograph frames on the simulated bench; ``more`` as in `BenchConfig`."""
    more.setdefault("sensor", SensorConfig(768, 512))
    config = BenchConfig(
        process=process,
        frames=frames,
        frames_per_strip=frames,
        seed=seed,
        **more,
    )
    bench = CopyStand(config)
    shots = []
    for n in range(1, frames + 1):
        bench.hand.go_to(n)
        path = folder / f"{process.value}{n}.dng"
        path.write_bytes(bench.expose(CameraExposure(SECONDS[process], 8.0, 100.0)).raw)
        place = bench.film_map()
        corners = tuple(
            place.to_sensor(u, v) for u, v in ((18, -12), (-18, -12), (-18, 12), (18, 12))
        )
        # The bench paints at the scale of its view; another size would be another picture.
        scale = bench.view.scale
        colour = process is not FilmProcess.BW_NEGATIVE
        light = scene.paint(n, seed, round(36 * scale), round(24 * scale), colour)
        boxes = []
        if config.target == "step-tablet":
            boxes = [(patch.density, box) for patch, box in bench.patch_boxes()]
        shots.append(Shot(path, corners, light, boxes))
    return shots


def resized(planes: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Return (3, h, w) at another size as (h, w, 3)."""
    size = (shape[1], shape[0])
    return np.stack(
        [
            np.asarray(Image.fromarray(p.astype(np.float32)).resize(size, Image.Resampling.BOX))
            for p in planes
        ],
        axis=2,
    )


def printed(shot: Shot, rendering: Rendering) -> np.ndarray:
    """Return a positive as values 0..1."""
    mosaic = open_mosaic(shot.path)
    linear = open_linear(shot.path, mosaic, half=rendering.half, grey=is_grey(rendering))
    return print_frame(linear, rendering, tile_weights(mosaic)) / 65535


def renderings_of(
    shots: list[Shot], process: FilmProcess, settings: PositiveSettings, half: bool = True
) -> list[Rendering]:
    briefs = [
        Brief(
            str(s.path),
            replace(
                take_sample(open_mosaic(s.path), process, s.outline), matrix=camera_matrix(s.path)
            ),
            outline=s.outline,
        )
        for s in shots
    ]
    made = roll_renderings(process, briefs, settings, half=half)
    return [made[str(s.path)] for s in shots]


def colour_difference(seen: np.ndarray, shot: Shot, process: FilmProcess) -> float:
    """Return the mean CIEDE2000 of a positive from what was photographed.

    That is the scene itself for a negative, and the film for a transparency. CIEDE2000 as
    scikit-image computes it (ISO/CIE 11664-6).
    """
    from skimage.color import deltaE_ciede2000, rgb2lab

    light = resized(shot.log_exposure, seen.shape[:2])
    if process.is_negative:
        expected = encoded(0.18 * 10**light)
    else:
        film = FILMS[process].transmittance(np.moveaxis(light, 2, 0).astype(np.float32))
        clear = FILMS[process].transmittance(np.full((3, 1, 1), 1.0, np.float32))
        # White is the lightest part of the roll, which the snow and lamps of it come near.
        expected = encoded(np.moveaxis(film / clear.max(), 0, 2))
    if seen.ndim == 2:
        seen = np.repeat(seen[..., None], 3, axis=2)
    k = 6  # grain and the last pixel of the edges are no difference of tone
    h, w = (n // k * k for n in seen.shape[:2])
    coarse = [
        a[:h, :w].reshape(h // k, k, w // k, k, 3).mean(axis=(1, 3)) for a in (seen, expected)
    ]
    return float(deltaE_ciede2000(rgb2lab(coarse[0]), rgb2lab(coarse[1])).mean())
