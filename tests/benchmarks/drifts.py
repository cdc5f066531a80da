"""Made drifts on whole rolls: what is told of a lamp or a focus that moves, and when.

Run as ``python -m tests.benchmarks.drifts [--rolls N] [--first SEED] [--made WORD ...]``; prints
the table of docs/evidence/detectors.md, or its lines that begin with one of these words. Each roll
has 36 frames; pictures, grain, noise, lamp, lens and placement follow from its seed, and so do the
frame at which the drift begins and how strong it is. The open gate is photographed before the first
frame and kept.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure

from tests.benchmarks.measure_detectors import bench_of, exposure_for, mosaic_of
from tether.film import FilmProcess
from tether.findings import Severity
from tether.measure.exposure.advice import EXPOSURE_CODES
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.light.flat import flat_of
from tether.measure.roll.memory import RollMemory

FRAMES = 36
SIZE = (1152, 768)
FRAMINGS = ("rebate", "wide")
_LOUD = (Severity.LOOK, Severity.RESHOOT)
_OF_EXPOSURE = EXPOSURE_CODES | {"light-changed"}
"""What a light that has moved far leads to as well, and rightly."""
CODES = ("light-drift", "lamp-colour-drift", "light-moved", "focus-drift")

Change = Callable[[BenchConfig, float, int], BenchConfig]
"""The bench after a number of frames of a drift of some strength, 0..1."""


def _falls(config: BenchConfig, strength: float, frames: int) -> BenchConfig:
    fall = 2 ** (-(0.015 + 0.035 * strength) * frames)
    return replace(config, lamp=replace(config.lamp, strength=config.lamp.strength * fall))


def _steps(config: BenchConfig, strength: float, frames: int) -> BenchConfig:
    step = 2 ** (-(0.25 + 0.1 * strength)) if frames else 1.0
    return replace(config, lamp=replace(config.lamp, strength=config.lamp.strength * step))


def _warms(config: BenchConfig, strength: float, frames: int) -> BenchConfig:
    kelvin = config.lamp.kelvin - (20 + 60 * strength) * frames
    return replace(config, lamp=replace(config.lamp, kelvin=kelvin))


def _moves(config: BenchConfig, strength: float, frames: int) -> BenchConfig:
    slope = 0.12 + 0.1 * strength if frames else 0.0
    return replace(config, lamp=replace(config.lamp, gradient_x=config.lamp.gradient_x + slope))


def _defocuses(config: BenchConfig, strength: float, frames: int) -> BenchConfig:
    # At this size of the sensor the first 0.7 mm cannot be seen (mocks/tether_simulator/optics.py).
    defocus = 0.7 + (0.01 + 0.02 * strength) * frames
    return replace(config, optics=replace(config.optics, defocus_mm=defocus))


DRIFTS: dict[str, tuple[Change, str]] = {
    "nothing": (lambda config, _strength, _frames: config, ""),
    "light falls by 0.015 to 0.05 stops a frame": (_falls, "light-drift"),
    "light drops by 0.25 to 0.35 stops at once": (_steps, "light-drift"),
    "lamp 20 to 80 K warmer each frame": (_warms, "lamp-colour-drift"),
    "lamp moved: 24 to 44 per cent from edge to edge": (_moves, "light-moved"),
    "focus creeps by 0.01 to 0.03 mm a frame": (_defocuses, "focus-drift"),
}


def roll(process: FilmProcess, framing: str, seed: int, made: str) -> tuple[int | None, set[str]]:
    """Photograph a roll; return frames from the drift's begin to its finding, and all codes."""
    change, wanted = DRIFTS[made]
    rng = np.random.default_rng((seed, 31))
    config, exposure = bench_of(process, framing, seed, SIZE).config, exposure_for(process, rng)
    begins, strength = int(rng.integers(5, 13)), float(rng.random())
    start = change(config, strength, 0)
    memory = RollMemory().with_open_gate(
        flat_of(mosaic_of(CopyStand(start), CameraExposure(exposure.seconds / 2.5, 8, 100)))
    )
    told, codes = None, set[str]()
    for frame in range(1, FRAMES + 1):
        bench = CopyStand(change(config, strength, max(0, frame - begins)), frame)
        bench.hand.go_to(frame)
        context = FrameContext(
            process, config.film_format, frame, ("", exposure.seconds), memory=memory, order=frame
        )
        shot = measure_frame(mosaic_of(bench, exposure), context)
        said = {f.code for f in shot.findings if f.code in CODES or f.severity in _LOUD}
        said -= _OF_EXPOSURE
        codes |= said
        if wanted in said and told is None:
            told = frame - begins
        if all(f.severity is not Severity.RESHOOT for f in shot.findings):
            memory = shot.memory
    return told, codes


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rolls", type=int, default=3, help="rolls of each kind, film and view")
    parser.add_argument("--first", type=int, default=7000, help="seed of the first roll")
    parser.add_argument("--made", nargs="*", default=[""], help="first words of what is made")
    wanted = parser.parse_args()
    print("| Made | Rolls | Rebate | Wide | Told after, frames | Something else said |")
    print("| --- | ---: | ---: | ---: | ---: | --- |")
    for made in [m for m in DRIFTS if m.startswith(tuple(wanted.made))]:
        print(line(made, wanted.rolls, wanted.first), flush=True)


def line(made: str, count: int, first: int) -> str:
    """Photograph the rolls of one kind of drift and return its line of the table."""
    code = DRIFTS[made][1]
    rolls, late, other = 0, [], Counter[str]()
    found: Counter[str] = Counter()
    for process in (FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE):
        for framing in FRAMINGS:
            for n in range(count):
                told, codes = roll(process, framing, first + 97 * rolls + n, made)
                rolls += 1
                late += [] if told is None else [told]
                found[framing] += told is not None
                other.update(codes - {code})
    middle = f"{np.median(late):.0f} ({min(late)} to {max(late)})" if late else ""
    rest = ", ".join(f"{n} {c}" for c, n in sorted(other.items())) or "nothing"
    cells = [f"{found[framing]} / {2 * count}" if code else "" for framing in FRAMINGS]
    return f"| {made} | {rolls} | {' | '.join(cells)} | {middle} | {rest} |"


if __name__ == "__main__":
    main()
