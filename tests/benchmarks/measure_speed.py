"""How long a frame's measurements take against LibRaw's own opening of the same file.

Run ``python -m tests.benchmarks.measure_speed``. Figures are ratios within one run on one machine;
nothing is asserted. The file is a made frame of 45 megapixels with rebate. A table says how long
each of the larger measurements takes by itself.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

if __name__ == "__main__":  # also when run as a file
    sys.path.insert(0, str(Path(__file__).parents[2]))

from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.dng import RawFacts, write_dng
from tether_simulator.imaging.exposure import REFERENCE
from tether_simulator.imaging.sensor import SensorConfig

from tether.film import FILM_FORMATS, FilmProcess
from tether.measure.density import density_report
from tether.measure.exposure.saturation import headroom, histogram, saturation_map
from tether.measure.film.dust import compare_dust, find_spots
from tether.measure.film.edge_code import read_edge
from tether.measure.film.same_picture import repeat_findings, signature
from tether.measure.focus.sharpness import measure_sharpness
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.framing.position import find_framing, rests_on_rebate
from tether.measure.levels import with_observed_saturation
from tether.measure.roll.memory import OpenGate, RollMemory
from tether.measure.shapes import upright_box
from tether.measure.survey import Survey, survey
from tether.raw import Mosaic, open_mosaic
from tether.settings import Settings

WIDTH, HEIGHT = 8256, 5504
REPEATS = 9


def made_file(folder: Path) -> Path:
    """Write a colour negative's frame of 45 megapixels."""
    sensor = SensorConfig(width=WIDTH, height=HEIGHT)
    bench = CopyStand(BenchConfig(process=FilmProcess.COLOUR_NEGATIVE, sensor=sensor, seed=5))
    bench.hand.go_to(3)
    facts = RawFacts(
        sensor.tile, sensor.black, sensor.saturation, sensor.response, (0.6, 1.0, 0.7),
        REFERENCE.seconds, REFERENCE.f_number, REFERENCE.iso, datetime(2024, 5, 4),
    )  # fmt: skip
    path = folder / "frame.dng"
    path.write_bytes(write_dng(bench.mosaic(REFERENCE), facts))
    return path


def peak_bytes() -> int:
    """Return the most memory that this process has used so far.

    Linux keeps what the parent used in ``ru_maxrss`` of a child that was just started, so its own
    figure is read there.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        scale = 1 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * scale
    (line,) = (row for row in status.splitlines() if row.startswith("VmHWM:"))
    return int(line.split()[1]) * 1024


def measure(path: Path) -> None:
    """Open and measure the file several times; print the medians and their ratio."""
    import rawpy

    size = WIDTH * HEIGHT * 2
    libraw, ours = [], []
    gate: OpenGate | None = None
    memory = RollMemory()
    for number in range(1, REPEATS + 1):
        start = _clocks()
        with rawpy.imread(str(path)) as raw:
            raw.raw_image_visible[0, 0]
        libraw.append(_clocks() - start)
        mosaic = open_mosaic(path)
        gate = gate or _even_gate(mosaic)
        start = _clocks()
        context = FrameContext(
            FilmProcess.COLOUR_NEGATIVE, frame_number=number, memory=memory, open_gate=gate
        )
        memory = measure_frame(mosaic, context).memory
        ours.append(_clocks() - start)
        del mosaic
    theirs, own = np.median(libraw, axis=0), np.median(ours, axis=0)
    print(f"LibRaw opens and unpacks {size / 1e6:.0f} MB: {theirs[0]:.3f} s")
    print(f"all measurements of the frame: {own[0]:.3f} s")
    print(f"ratio: {own[0] / theirs[0]:.2f}; of processor time: {own[1] / theirs[1]:.2f}")
    print(f"peak memory: {peak_bytes() / size:.2f} times the mosaic")
    print("\nEach by itself, on one core:")
    for name, seconds in parts(open_mosaic(path), memory).items():
        print(f"| {name} | {1000 * seconds:.1f} ms |")


def parts(mosaic: Mosaic, memory: RollMemory) -> dict[str, float]:
    """Return the seconds of the larger measurements, each by itself."""
    form, settings = FILM_FORMATS["135"], Settings()
    picture = survey(mosaic)
    framing = find_framing(picture, form, True, settings.framing)
    assert framing is not None
    detail = signature(picture, framing.picture)
    earlier = [(t.frame, t.picture) for t in memory.frames if t.picture is not None]
    spots = [t.spots for t in memory.frames if t.spots is not None]
    rows, columns = upright_box(framing.picture, mosaic.shape)
    region = (slice(*rows), slice(*columns))

    gate = _even_gate(mosaic)

    def fresh() -> Survey:
        return Survey(picture.signal, picture.step, picture.channels)

    done: dict[str, Callable[[], object]] = {
        "saturated photosites, all of them": lambda: saturation_map(mosaic),
        "saturation level": lambda: with_observed_saturation(mosaic),
        "survey": lambda: survey(mosaic),
        "framing": lambda: find_framing(fresh(), form, True, settings.framing),
        "whether rebate lies beside it": lambda: rests_on_rebate(framing, picture, True),
        "headroom and histogram": lambda: (headroom(picture), histogram(picture)),
        "sharpness of the grain": lambda: measure_sharpness(mosaic, region),
        "dark spots": lambda: find_spots(mosaic, region),
        "spots of earlier frames": lambda: compare_dust(spots[-1], spots[:-1]),
        "densities": lambda: density_report(picture, gate, None, None),
        "bar code on the edge": lambda: read_edge(picture, framing, form, True),
        "detail that it is known by": lambda: signature(picture, framing.picture),
        "the same picture before": lambda: repeat_findings(detail, earlier, settings.advance),
    }
    return {name: float(np.median([_seconds(call) for _ in range(REPEATS)]))
            for name, call in done.items()}  # fmt: skip


def _even_gate(mosaic: Mosaic) -> OpenGate:
    """Return an open gate of even light, so that densities are measured too."""
    grid = np.full((len(mosaic.channels), 32, 48), 0.9, np.float32)
    return OpenGate(mosaic.channels, grid, (mosaic.exposure_seconds, mosaic.iso, None), "")


def _clocks() -> NDArray[np.float64]:
    """Return seconds on the clock and of the processor, which others on the machine hardly move."""
    return np.array([time.perf_counter(), time.process_time()])


def _seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def main() -> None:
    """Make the file, and measure it in a process of its own: making it needs far more memory."""
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        made = made_file(Path(folder))
        root = Path(__file__).parents[2]
        command = [sys.executable, "-m", "tests.benchmarks.measure_speed", str(made)]
        subprocess.run(command, check=True, cwd=root)


if __name__ == "__main__":
    main()
