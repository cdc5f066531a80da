"""How long half-size positives take, against LibRaw's half-size interpolation alone.

Run: python -m tests.benchmarks.positives [--film KIND] [--files N] [--sensor 8256x5504]
Both run over the same number of processes, files in the system's cache, for each kind of film and
with JPEG alone and with the 16-bit TIFF beside it. Prints the ratio of the two times; the aim is
1.3 or less. LibRaw is timed before and after, so that a machine that was not quiet shows.
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


def libraw_half(path: Path) -> tuple[int, ...]:
    """Open, unpack and interpolate at half size; keep nothing."""
    import rawpy

    with rawpy.imread(str(path)) as raw:
        shape: tuple[int, ...] = raw.postprocess(half_size=True).shape
        return shape


def seconds(
    pool: ProcessPoolExecutor, work: Callable[[Any], Any], items: list[Any], rounds: int
) -> list[float]:
    """Return the time that all items took, in each of some rounds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        list(pool.map(work, items))
        times.append(time.perf_counter() - start)
    return times


def made(folder: Path, film: FilmProcess, files: int, width: int, height: int) -> list[Path]:
    """Photograph a frame on the simulated bench, and lay it down several times."""
    bench = Bench(BenchConfig(process=film, sensor=SensorConfig(width, height)))
    bench.hand.go_to(1)
    raw = bench.expose(Exposure(1 / 15, 8.0, 100.0)).raw
    paths = [folder / f"{film.value}{n}.dng" for n in range(files)]
    for path in paths:
        path.write_bytes(raw)
    return paths


def jobs_for(paths: list[Path], film: FilmProcess, tiff: bool) -> list[PrintJob]:
    """Return the printing of files at half size."""
    matrix = camera_matrix(paths[0]) if film is FilmProcess.TRANSPARENCY else ()
    return [
        PrintJob(
            path=path,
            recipe=Recipe(film, (0.45, 0.78, 0.53), half=True, matrix=matrix),
            flat=None,
            shot=ShotFacts(),
            description=path.name,
            jpeg=path.with_suffix(".jpg"),
            tiff=path.with_suffix(".tif") if tiff else None,
            small=path.with_suffix(".small.jpg"),
            xmp=b"",
        )
        for path in paths
    ]


def main() -> None:
    """Make files, time both, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--film", type=FilmProcess, action="append", help="Default: all kinds.")
    parser.add_argument("--files", type=int, default=4)
    parser.add_argument("--sensor", default="8256x5504")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    width, height = map(int, given.sensor.split("x"))
    print(f"{given.files} files of {width} x {height}, {given.processes} processes")
    for film in given.film or list(FilmProcess):
        with tempfile.TemporaryDirectory() as folder:
            paths = made(Path(folder), film, given.files, width, height)
            with ProcessPoolExecutor(
                given.processes, mp_context=get_context("spawn"), initializer=begin_worker
            ) as pool:
                seconds(pool, libraw_half, paths, 1)
                alone = seconds(pool, libraw_half, paths, given.rounds)
                ours = {}
                for tiff in (False, True):
                    jobs = jobs_for(paths, film, tiff)
                    seconds(pool, print_file, jobs, 1)
                    ours[tiff] = statistics.median(seconds(pool, print_file, jobs, given.rounds))
                alone += seconds(pool, libraw_half, paths, given.rounds)
            base = statistics.median(alone)
            print(
                f"{film.value}: LibRaw alone {base:.2f} s ({min(alone):.2f} to {max(alone):.2f}); "
                f"JPEG {ours[False]:.2f} s, ratio {ours[False] / base:.2f}; "
                f"JPEG and TIFF {ours[True]:.2f} s, ratio {ours[True] / base:.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
