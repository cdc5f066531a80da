"""Film photographed on the simulated bench, as files."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from PIL import Image

from mocks import scene
from mocks.bench import Bench
from mocks.bench_config import BenchConfig, SensorConfig
from mocks.exposure import Exposure
from tether.film import FilmProcess
from tether.positive.recipe import Corners

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
    folder: Path, process: FilmProcess, frames: int, seed: int = 1, **more: object
) -> list[Shot]:
    """Photograph frames on the simulated bench."""
    config = BenchConfig(
        process=process,
        frames=frames,
        frames_per_strip=frames,
        seed=seed,
        sensor=SensorConfig(768, 512),
        **more,
    )
    bench = Bench(config)
    shots = []
    for n in range(1, frames + 1):
        bench.hand.go_to(n)
        path = folder / f"{process.value}{n}.dng"
        path.write_bytes(bench.expose(Exposure(SECONDS[process], 8.0, 100.0)).raw)
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
