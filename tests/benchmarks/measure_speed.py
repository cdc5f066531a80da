"""How long a frame's measurements take against LibRaw's own opening of the same file.

Run ``python -m tests.benchmarks.measure_speed``. Figures are ratios within one run on one machine;
nothing is asserted. The file is a made frame of 45 megapixels with rebate, repeated from a
smaller one so that it is ready in a few seconds.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np

from mocks.bench import Bench, BenchConfig
from mocks.dng import RawFacts, write_dng
from mocks.exposure import REFERENCE
from mocks.sensor import SensorConfig
from tether.film import FilmProcess
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.roll import RollMemory
from tether.raw.open import open_mosaic

WIDTH, HEIGHT = 8256, 5504
REPEATS = 5


def made_file(folder: Path) -> Path:
    """Write a colour negative's frame of 45 megapixels."""
    sensor = SensorConfig(width=WIDTH, height=HEIGHT)
    bench = Bench(BenchConfig(process=FilmProcess.COLOUR_NEGATIVE, sensor=sensor, seed=5))
    bench.hand.go_to(3)
    facts = RawFacts(
        sensor.tile, sensor.black, sensor.saturation, sensor.response, (0.6, 1.0, 0.7),
        REFERENCE.seconds, REFERENCE.f_number, REFERENCE.iso, datetime(2024, 5, 4),
    )  # fmt: skip
    path = folder / "frame.dng"
    path.write_bytes(write_dng(bench.mosaic(REFERENCE), facts))
    return path


def peak_bytes() -> int:
    """Return the most memory that this process has used so far."""
    scale = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * scale


def measure(path: Path) -> None:
    """Open and measure the file several times; print the medians and their ratio."""
    import rawpy

    size = WIDTH * HEIGHT * 2
    libraw, ours = [], []
    memory = RollMemory()
    for number in range(1, REPEATS + 1):
        start = time.perf_counter()
        with rawpy.imread(str(path)) as raw:
            raw.raw_image_visible[0, 0]
        libraw.append(time.perf_counter() - start)
        mosaic = open_mosaic(path)
        start = time.perf_counter()
        context = FrameContext(FilmProcess.COLOUR_NEGATIVE, frame_number=number, memory=memory)
        memory = measure_frame(mosaic, context).memory
        ours.append(time.perf_counter() - start)
        del mosaic
    print(f"LibRaw opens and unpacks {size / 1e6:.0f} MB: {np.median(libraw):.3f} s")
    print(f"all measurements of the frame: {np.median(ours):.3f} s")
    print(f"ratio: {np.median(ours) / np.median(libraw):.2f}")
    print(f"peak memory: {peak_bytes() / size:.2f} times the mosaic")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]))
    else:
        import subprocess

        with tempfile.TemporaryDirectory() as folder:
            # A process of its own: the making of the file needs far more memory.
            made = made_file(Path(folder))
            subprocess.run([sys.executable, "-m", __spec__.name, str(made)], check=True)
