"""How long half-size positives take, against LibRaw's half-size interpolation alone.

Run: python -m tests.benchmarks.positives [--film KIND] [--files N] [--sensor 8256x5504]
Both run over the same number of processes, files in the system's cache, for each kind of film and
with JPEG alone and with the 16-bit TIFF beside it. Prints the ratio of the two times; the aim is
1.3 or less. All are timed in turns: where rounds differ much, the machine was not quiet.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tether.film import FilmProcess
from tether.positive.exif import Labels
from tether.positive.job import PrintJob, begin_worker, print_file
from tether.positive.linear import camera_matrix
from tether.positive.rendering import Rendering


def libraw_half(path: Path) -> tuple[int, ...]:
    """Open, unpack and interpolate at half size; keep nothing."""
    import rawpy

    with rawpy.imread(str(path)) as raw:
        shape: tuple[int, ...] = raw.postprocess(half_size=True).shape
        return shape


def seconds(pool: ProcessPoolExecutor, work: Callable[[Any], Any], items: list[Any]) -> float:
    """Return the time that all items take."""
    start = time.perf_counter()
    list(pool.map(work, items))
    return time.perf_counter() - start


def made(folder: Path, film: FilmProcess, files: int, width: int, height: int) -> list[Path]:
    """Photograph a frame on the simulated bench, and lay it down several times."""
    bench = CopyStand(BenchConfig(process=film, sensor=SensorConfig(width, height)))
    bench.hand.go_to(1)
    raw = bench.expose(CameraExposure(1 / 15, 8.0, 100.0)).raw
    paths = [folder / f"{film.value}{n}.dng" for n in range(files)]
    for path in paths:
        path.write_bytes(raw)
    return paths


def jobs_for(
    paths: list[Path],
    film: FilmProcess,
    *,
    tiff: bool = False,
    outline: tuple[tuple[float, float], ...] | None = None,
) -> list[PrintJob]:
    """Return the printing of files at half size."""
    matrix = camera_matrix(paths[0]) if film is FilmProcess.TRANSPARENCY else ()
    return [
        PrintJob(
            path=path,
            rendering=Rendering(
                film, (0.45, 0.78, 0.53), half=True, matrix=matrix, outline=outline
            ),
            flat=None,
            labels=Labels(path.name),
            jpeg=path.with_suffix(".jpg"),
            tiff=path.with_suffix(".tif") if tiff else None,
            small=path.with_suffix(".small.jpg"),
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
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    width, height = map(int, given.sensor.split("x"))
    # A film that lies half a degree out of line: its outline has to be turned straight.
    low, slant = 0.02, width * math.sin(math.radians(0.5))
    turned = (
        (low * width, low * height),
        ((1 - low) * width, low * height + slant),
        ((1 - low) * width - slant * height / width, (1 - low) * height),
        (low * width - slant * height / width, (1 - low) * height - slant),
    )
    print(f"{given.files} files of {width} x {height}, {given.processes} processes")
    for film in given.film or list(FilmProcess):
        with tempfile.TemporaryDirectory() as folder:
            paths = made(Path(folder), film, given.files, width, height)
            with ProcessPoolExecutor(
                given.processes, mp_context=get_context("spawn"), initializer=begin_worker
            ) as pool:
                works: dict[str, tuple[Callable[[Any], Any], list[Any]]] = {
                    "LibRaw alone": (libraw_half, paths),
                    "JPEG": (print_file, jobs_for(paths, film)),
                    "straightened": (print_file, jobs_for(paths, film, outline=turned)),
                    "JPEG and TIFF": (print_file, jobs_for(paths, film, tiff=True)),
                }
                # In turns, so that a disturbance from outside hits all alike; the first warms up.
                rounds = [
                    {name: seconds(pool, *work) for name, work in works.items()}
                    for _ in range(given.rounds + 1)
                ][1:]
            for name in works:
                took = [times[name] for times in rounds]
                ratios = [times[name] / times["LibRaw alone"] for times in rounds]
                best = min(took) / min(times["LibRaw alone"] for times in rounds)
                print(
                    f"{film.value:16} {name:14} {min(took):5.2f} to {max(took):5.2f} s; "
                    f"ratio of the best {best:.2f}, of each round {statistics.median(ratios):.2f} "
                    f"({min(ratios):.2f} to {max(ratios):.2f})",
                    flush=True,
                )


if __name__ == "__main__":
    main()
