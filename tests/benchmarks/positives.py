"""How long half-size positives take, against LibRaw's half-size interpolation alone.

Run: python tests/benchmarks/positives.py [--files N] [--film bw-negative] [--sensor 8256x5504]
Both run over the same number of processes, files in the system's cache. Prints the ratio of the
two times; the aim is 1.3 or less.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from mocks.bench import Bench
from mocks.bench_config import BenchConfig, SensorConfig
from mocks.exposure import Exposure
from tether.film import FilmProcess
from tether.positive.exif import ShotFacts
from tether.positive.job import PrintJob, begin_worker, print_file
from tether.positive.linear import camera_matrix
from tether.positive.recipe import Recipe

ROUNDS = 3


def libraw_half(path: Path) -> tuple[int, ...]:
    """Open, unpack and interpolate at half size; keep nothing."""
    import rawpy

    with rawpy.imread(str(path)) as raw:
        shape: tuple[int, ...] = raw.postprocess(half_size=True).shape
        return shape


def median_seconds(
    pool: ProcessPoolExecutor, work: Callable[[Any], Any], items: list[Any]
) -> float:
    """Return the median time of all items over `ROUNDS` rounds, after one to warm up."""
    times = []
    for _ in range(ROUNDS + 1):
        start = time.perf_counter()
        list(pool.map(work, items))
        times.append(time.perf_counter() - start)
    return statistics.median(times[1:])


def main() -> None:
    """Make files, time both, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=4)
    parser.add_argument("--film", type=FilmProcess, default=FilmProcess.BW_NEGATIVE)
    parser.add_argument("--sensor", default="8256x5504")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--tiff", action="store_true", help="Write 16-bit TIFF files as well.")
    given = parser.parse_args()
    width, height = map(int, given.sensor.split("x"))
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        bench = Bench(BenchConfig(process=given.film, sensor=SensorConfig(width, height)))
        bench.hand.go_to(1)
        raw = bench.expose(Exposure(1 / 15, 8.0, 100.0)).raw
        paths = [root / f"frame{n}.dng" for n in range(given.files)]
        for path in paths:
            path.write_bytes(raw)
        matrix = camera_matrix(paths[0]) if given.film is FilmProcess.TRANSPARENCY else ()
        jobs = [
            PrintJob(
                path=path,
                recipe=Recipe(given.film, (0.45, 0.78, 0.53), half=True, matrix=matrix),
                flat=None,
                shot=ShotFacts(),
                description=path.name,
                jpeg=path.with_suffix(".jpg"),
                tiff=path.with_suffix(".tif") if given.tiff else None,
                small=path.with_suffix(".small.jpg"),
                xmp=b"",
            )
            for path in paths
        ]
        with ProcessPoolExecutor(
            given.processes, mp_context=get_context("spawn"), initializer=begin_worker
        ) as pool:
            alone = median_seconds(pool, libraw_half, paths)
            ours = median_seconds(pool, print_file, jobs)
    each = f"{given.files} files of {width} x {height}, {given.processes} processes"
    print(f"{each}: LibRaw alone {alone:.2f} s, positives {ours:.2f} s, ratio {ours / alone:.2f}")


if __name__ == "__main__":
    main()
