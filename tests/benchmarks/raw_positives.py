"""How long a raw positive takes to write, against LibRaw's opening and unpacking of the raw file.

Run: python -m tests.benchmarks.raw_positives [--sensor 8256x5504] [--rounds N]
Prints the times of a plain file (no previews, no digest) and of a whole one, less what the disk
needs for as many bytes, and their ratio to LibRaw's time; the aims are 0.5 and 3. Lossless JPEG
(ITU-T T.81, process 14) is printed apart, where the package imagecodecs is installed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import numpy as np
import rawpy
from numpy.typing import NDArray
from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tether.disk import replace_whole
from tether.film import FilmProcess
from tether.positive.exif import Labels
from tether.positive.raw_positive import dng
from tether.positive.raw_positive.dng import Form
from tether.positive.raw_positive.make import RawPositiveJob, raw_picture, small_positive
from tether.positive.rendering import Rendering
from tether.raw import Mosaic, open_mosaic


def best(work: Callable[[], object], rounds: int) -> float:
    """Return the shortest of the times that a piece of work takes."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def unpacked(path: Path) -> None:
    """Open and unpack, and keep nothing."""
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_image is not None


def main() -> None:
    """Make a file, time all of it, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sensor", default="8256x5504")
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    width, height = map(int, given.sensor.split("x"))
    rounds = given.rounds
    with tempfile.TemporaryDirectory() as folder:
        path, out = Path(folder) / "raw.dng", Path(folder) / "positive.dng"
        bench = CopyStand(BenchConfig(sensor=SensorConfig(width, height)))
        bench.hand.go_to(1)
        path.write_bytes(bench.expose(CameraExposure(1 / 15, 8.0, 100.0)).raw)
        mosaic = open_mosaic(path)
        libraw = best(lambda: unpacked(path), rounds)
        print(f"{width} x {height}; LibRaw opens and unpacks in {libraw:.2f} s")
        for process, form in (
            (FilmProcess.BW_NEGATIVE, Form.CAMERA),
            (FilmProcess.COLOUR_NEGATIVE, Form.COMPUTED),
        ):
            rendering = Rendering(process, (0.45, 0.78, 0.53))
            job = RawPositiveJob(path, rendering, None, Labels("A frame."), out, form)
            print(f"{process.value:16} {form.value:9} {timed(job, mosaic, libraw, rounds)}")
        compressed(mosaic.data, rounds)


def timed(job: RawPositiveJob, mosaic: Mosaic, libraw: float, rounds: int) -> str:
    """Return in words how long one kind takes."""
    picture, _ = raw_picture(job, mosaic)
    data, dot = picture.values.tobytes(), np.zeros((16, 16, 3), np.uint8)

    def written(small: Callable[[], NDArray[np.uint8]]) -> float:
        labels = Labels("A frame.")
        return best(
            lambda: replace_whole(
                job.output, lambda part: dng.write_dng(part, picture, labels, small(), "a")
            ),
            rounds,
        )

    disk = best(lambda: replace_whole(job.output, lambda part: part.write_bytes(data)), rounds)
    made = best(lambda: raw_picture(job, mosaic), rounds)
    with patch.object(dng, "new_raw_image_digest", lambda _: bytes(16)):
        plain = made + written(lambda: dot)
    whole = made + written(lambda: small_positive(mosaic, job.rendering, None, picture.crop))
    return (
        f"disk {disk:.2f} s, values {made:.2f} s; "
        f"plain {plain:.2f} s, ratio without the disk {(plain - disk) / libraw:.2f}; "
        f"whole {whole:.2f} s, ratio {(whole - disk) / libraw:.2f}"
    )


def compressed(values: NDArray[np.uint16], rounds: int) -> None:
    """Print what lossless JPEG would save, and cost."""
    try:
        import imagecodecs
    except ImportError:
        print("lossless JPEG: the package imagecodecs is not installed")
        return
    tiles = [
        np.ascontiguousarray(values[top : top + 256, left : left + 256])
        for top in range(0, values.shape[0], 256)
        for left in range(0, values.shape[1], 256)
    ]
    size = sum(len(imagecodecs.ljpeg_encode(tile)) for tile in tiles)
    seconds = best(lambda: [imagecodecs.ljpeg_encode(tile) for tile in tiles], min(rounds, 2))
    print(f"lossless JPEG: {size / values.nbytes:.0%} of the size, {seconds:.2f} s more")


if __name__ == "__main__":
    main()
