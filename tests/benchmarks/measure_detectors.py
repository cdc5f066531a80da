"""Every finding put to the test on made rolls: how often found, how often raised for nothing.

Run ``python -m tests.benchmarks.measure_detectors [SEEDS [WIDTH HEIGHT [FIRST]]]``. For each kind
of film and view a roll is photographed frame by frame through `measure_frame`, as a careful person
would: a frame with a mishap is put right and taken again, and only frames without one go into
the roll's memory. Pictures, grain, noise, tilt, placement, falloff and the lamp's evenness follow
from the seed.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.optics import OpticsConfig
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.mishaps import MISHAPS, Lasts

from tether.film import FilmProcess
from tether.findings import Severity
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.roll.memory import RollMemory
from tether.raw import Mosaic

FRAMINGS = ("rebate", "wide", "tight")
FRAMES = 16
LABELS = {process: number for number, process in enumerate(FilmProcess)}
LEARNT = 4
"""Frames at the start of a roll without a mishap."""

#: Which findings count as having found a mishap; any one of them will do.
EXPECTED: dict[str, frozenset[str]] = {
    "lamp-bright": frozenset({"base-saturated", "base-off-target", "light-changed",
                              "picture-saturated"}),
    "lamp-dim": frozenset({"base-off-target", "light-changed", "highlights-below-target"}),
    "blank": frozenset({"blank-frame", "even-view"}),
    "not-advanced": frozenset({"not-advanced"}),
    "slipped": frozenset({"picture-cut-off"}),
    "half-way": frozenset({"between-frames"}),
    "tilted-strip": frozenset({"askew"}),
    "wrong-side": frozenset({"wrong-side"}),
    "out-of-focus": frozenset({"out-of-focus"}),
    "one-side-soft": frozenset({"one-side-soft", "out-of-focus"}),
    "dust-on-lens": frozenset({"dust-not-on-film"}),
    "frame-left-out": frozenset({"frame-number"}),
    # Nothing to find: these must stay silent.
    "scratched": frozenset(),
    "dusty": frozenset(),
    "over": frozenset(),
    "under": frozenset(),
}  # fmt: skip
#: What a finding also may say beside the mishap itself.
ALLOWED: dict[str, frozenset[str]] = {
    "tilted-strip": frozenset({"picture-cut-off"}),
    "lamp-bright": frozenset({"out-of-focus"}),
}
SHUTTERS = tuple(
    (f"1/{n}", 1 / n) for n in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125)
)
_LEFT_OUT = "frame-left-out"
"""The hand goes one frame too far."""
_LOUD = (Severity.LOOK, Severity.RESHOOT)


@dataclass
class Table:
    """Counts of made frames with each mishap, and of findings on frames without one."""

    made: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    by_view: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    beside: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    clean: int = 0
    false: Counter[str] = field(default_factory=Counter)
    where: list[str] = field(default_factory=list)

    def add(self, mishap: str | None, codes: set[str], place: str, view: str = "rebate") -> None:
        """Count one frame."""
        if mishap is None:
            self.clean += 1
            self.false.update(codes)
            self.where += [f"{code}: {place}" for code in sorted(codes)]
            return
        self.made[mishap] += 1
        expected = EXPECTED[mishap]
        hit = bool(codes & expected)
        self.found[mishap] += hit
        self.by_view[mishap, view, hit] += 1
        rest = codes - expected - ALLOWED.get(mishap, frozenset())
        self.beside[mishap].update(rest)
        self.where += [f"{mishap} -> {code}: {place}" for code in sorted(rest)]
        if expected and not hit:
            self.where.append(f"{mishap} missed: {place}")

    def lines(self) -> Iterator[str]:
        """Yield the table as Markdown."""
        total = self.clean + sum(self.made.values())
        yield f"{total} frames, {self.clean} of them without mishap."
        yield ""
        yield f"| Mishap | {' | '.join(FRAMINGS)} | Other findings |"
        yield f"| --- |{' ---: |' * len(FRAMINGS)} --- |"
        for mishap, expected in EXPECTED.items():
            if self.made[mishap]:
                cells = []
                for view in FRAMINGS:
                    hit = self.by_view[mishap, view, True]
                    made = hit + self.by_view[mishap, view, False]
                    cells.append(
                        (f"{hit} / {made}" if expected else f"{made} made") if made else ""
                    )
                rest = ", ".join(f"{n} {c}" for c, n in sorted(self.beside[mishap].items()))
                yield f"| {mishap} | {' | '.join(cells)} | {rest or 'none'} |"
        rest = ", ".join(f"{n} {c}" for c, n in sorted(self.false.items()))
        yield f"| no mishap | {self.clean} made |{' |' * (len(FRAMINGS) - 1)} {rest or 'none'} |"


def mosaic_of(bench: CopyStand, exposure: CameraExposure) -> Mosaic:
    """Photograph what lies in the gate and wrap it as a file would be."""
    sensor = bench.config.sensor
    names = {0: 0, 1: 1, 2: 2}
    pattern = np.array([[names[c] for c in row] for row in sensor.tile], np.intp)
    row, column = np.argwhere(pattern == 1)[1]
    pattern[row, column] = 3
    return Mosaic(
        bench.mosaic(exposure), pattern, ("R", "G1", "B", "G2"), (float(sensor.black),) * 4,
        (float(sensor.saturation),) * 4, exposure_seconds=exposure.seconds, iso=exposure.iso,
        f_number=exposure.f_number,
    )  # fmt: skip


def bench_of(process: FilmProcess, framing: str, seed: int, size: tuple[int, int]) -> CopyStand:
    """Build a bench whose lamp, lens and hand vary with the seed."""
    rng = np.random.default_rng((seed, 99))
    lamp = LampConfig(
        gradient_x=float(rng.uniform(-0.06, 0.06)),
        gradient_y=float(rng.uniform(-0.04, 0.04)),
        hot_spot=float(rng.uniform(0.0, 0.06)),
        kelvin=float(rng.uniform(4500, 5600)),
    )
    optics = OpticsConfig(lens_falloff=float(rng.uniform(0.2, 0.6)))
    return CopyStand(
        BenchConfig(
            process=process, seed=seed, framing=framing, frames=36, edge_print=True, lamp=lamp,
            optics=optics, sensor=SensorConfig(width=size[0], height=size[1]),
            placement_degrees=float(rng.uniform(0.05, 0.4)),
            placement_mm=float(rng.uniform(0.02, 0.15)),
        )
    )  # fmt: skip


def exposure_for(process: FilmProcess, rng: np.random.Generator) -> CameraExposure:
    """Return a shutter time that puts the base (or clear film) near the target."""
    seconds = {
        FilmProcess.BW_NEGATIVE: 1 / 15,
        FilmProcess.COLOUR_NEGATIVE: 1 / 10,
        FilmProcess.TRANSPARENCY: 1 / 30,
    }[process]
    return CameraExposure(seconds * 2 ** float(rng.uniform(-0.2, 0.05)), 8, 100)


def careful_roll(
    process: FilmProcess,
    framing: str,
    seed: int,
    size: tuple[int, int],
    table: Table,
    frames: int = FRAMES,
) -> None:
    """Photograph a roll on which nothing goes wrong and count what is said."""
    bench = bench_of(process, framing, seed, size)
    exposure = exposure_for(process, np.random.default_rng((seed, 7)))
    memory = RollMemory()
    for frame in range(1, frames + 1):
        bench.hand.go_to(frame)
        shot = _shoot(bench, exposure, process, frame, memory)
        table.add(None, _codes(shot), f"{process.value} {framing} seed {seed} frame {frame}")
        memory = shot.memory


def roll(
    process: FilmProcess,
    framing: str,
    seed: int,
    size: tuple[int, int],
    table: Table,
    *,
    only: str | None = None,
    frames: int = FRAMES,
) -> None:
    """Photograph one roll with mishaps and count what is found; ``only`` limits it to one kind."""
    bench = bench_of(process, framing, seed, size)
    rng = np.random.default_rng((seed, 7))
    exposure = exposure_for(process, rng)
    memory = RollMemory()
    # A transparency's lamp may be dimmer or brighter without anything to say against the frame.
    left_out = {"dust-on-lens"} | (set() if process.is_negative else {"lamp-dim", "lamp-bright"})
    order = [str(m) for m in rng.permutation([m for m in EXPECTED if m not in left_out])]
    order = order if only is None else [only]
    for frame in range(1, frames + 1):
        mishap = order.pop() if frame > LEARNT and order and frame % 6 != 1 else None
        if mishap == "not-advanced" and (frame - 1, "blank") in bench.hand.state.frame_faults:
            # What stays in the gate has nothing to be known again by, and is called blank.
            order.insert(0, mishap)
            mishap = order.pop()
        place = f"{process.value} {framing} seed {seed} frame {frame}"
        if mishap == _LEFT_OUT:
            bench.hand.go_to(frame + 1)
            shot = _shoot(bench, exposure, process, frame, memory)
            table.add(mishap, _codes(shot), place, framing)
            mishap = None
        if mishap and _lasts(mishap) is Lasts.FRAME:
            bench.hand.go_to(frame)
            bench.hand.mishap(mishap)
            shot = _shoot(bench, exposure, process, frame, memory)
            table.add(mishap, _codes(shot), place, framing)
            memory = shot.memory
            continue
        if mishap:
            bench.hand.mishap(mishap)
            bench.hand.go_to(frame)
            shot = _shoot(bench, exposure, process, frame, memory)
            table.add(mishap, _codes(shot), place, framing)
            bench.hand.clear()
        bench.hand.go_to(frame)
        shot = _shoot(bench, exposure, process, frame, memory)
        table.add(None, _codes(shot), place)
        memory = shot.memory
    if only is None:
        _with_dust(bench, exposure, process, memory, frames, table)


def _with_dust(
    bench: CopyStand,
    exposure: CameraExposure,
    process: FilmProcess,
    memory: RollMemory,
    frames: int,
    table: Table,
) -> None:
    """Let dust fall on the lens, go on for six frames, and count as one what is said of them."""
    bench.hand.mishap("dust-on-lens")
    codes: set[str] = set()
    for frame in range(frames + 1, frames + 7):
        bench.hand.go_to(frame)
        shot = _shoot(bench, exposure, process, frame, memory)
        codes |= _codes(shot)
        memory = shot.memory
    framing = bench.config.framing
    place = f"{process.value} {framing} seed {bench.config.seed}"
    table.add("dust-on-lens", codes, place, framing)


def _shoot(
    bench: CopyStand,
    exposure: CameraExposure,
    process: FilmProcess,
    frame: int,
    memory: RollMemory,
) -> FrameMeasurement:
    near = min(SHUTTERS, key=lambda s: abs(s[1] - exposure.seconds))
    context = FrameContext(
        process, bench.config.film_format, frame, (near[0], exposure.seconds), SHUTTERS,
        memory=memory, order=frame,
    )  # fmt: skip
    return measure_frame(mosaic_of(bench, exposure), context)


def _codes(shot: FrameMeasurement) -> set[str]:
    return {f.code for f in shot.findings if f.severity in _LOUD}


def _lasts(code: str) -> Lasts:
    return next(m.lasts for m in MISHAPS if m.code == code)


def main(seeds: int, size: tuple[int, int], first: int = 1) -> None:
    """Photograph a roll of each kind of film in each view for each seed, and print the table."""
    table = Table()
    for seed in range(first, first + seeds):
        for process in FilmProcess:
            for framing in FRAMINGS:
                roll(
                    process,
                    framing,
                    100 * seed + 10 * FRAMINGS.index(framing) + LABELS[process],
                    size,
                    table,
                )
        print(f"seed {seed} done", file=sys.stderr)
    print("\n".join(table.lines()))
    print("\n".join(sorted(table.where)), file=sys.stderr)


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    main(
        given[0] if given else 3,
        (given[1], given[2]) if len(given) > 2 else (1536, 1024),
        *given[3:4],
    )
