"""Made, found and falsely alarmed: focus, one side soft, dust, flicker, uneven and stray light.

Run as ``python -m tests.benchmarks.detectors_light [--rolls N] [--gates N]``; prints the tables of
docs/evidence/detectors.md. Everything varies with the seed: pictures, grain, kind of film, noise,
full well, falloff, how strong the fault is and which side it is on.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.optics import OpticsConfig
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FilmProcess
from tether.measure.film.dust import compare_dust, find_spots
from tether.measure.focus.sharpness import Sharpness, measure_sharpness
from tether.measure.focus.softness import compare_focus, reference_of
from tether.measure.light.open_gate import (
    judge_light,
    judge_stray_light,
    measure_light,
    stray_share,
)
from tether.measure.survey import survey
from tether.raw import Mosaic

FRAMES = 11
SECONDS = {
    FilmProcess.BW_NEGATIVE: 1 / 20,
    FilmProcess.COLOUR_NEGATIVE: 1 / 10,
    FilmProcess.TRANSPARENCY: 1 / 20,
}
SIZE = (1200, 800)
_OTHER = {"left": "right", "right": "left"}
REGION = (slice(64, 736), slice(96, 1104))


def a_bench(process: FilmProcess, seed: int) -> BenchConfig:
    """Return a bench with a sensor and a lens of the usual spread."""
    rng = np.random.default_rng((seed, 21))
    return BenchConfig(
        process=process,
        seed=seed,
        frames=FRAMES,
        sensor=SensorConfig(
            *SIZE,
            full_well=float(rng.uniform(30e3, 90e3)),
            read_noise=float(rng.uniform(2, 8)),
            cfa=str(rng.choice(["RGGB", "BGGR", "GRBG", "GBRG"])),
        ),
        optics=OpticsConfig(lens_falloff=float(rng.uniform(0.1, 0.7))),
    )


def roll(config: BenchConfig, optics: OpticsConfig) -> Iterator[Mosaic]:
    """Photograph a roll through a lens."""
    bench = CopyStand(replace(config, optics=optics))
    for frame in range(1, config.frames + 1):
        bench.hand.go_to(frame)
        yield photographed(bench, CameraExposure(SECONDS[config.process], 8.0, 100.0))


def focus_and_dust(rolls: int) -> tuple[dict[str, Counter[str]], dict[str, Counter[str]]]:
    """Return the counts of the focus detectors by what was made, and those of dust by film."""
    focus: dict[str, Counter[str]] = {}
    dust: dict[str, Counter[str]] = {}
    for process in FilmProcess:
        for seed in range(1, rolls + 1):
            config = a_bench(process, seed)
            rng = np.random.default_rng((seed, 22))
            sign = float(rng.choice([-1.0, 1.0]))
            depth, soft = float(rng.uniform(4, 9)), float(rng.uniform(1.5, 9))
            lenses = {
                "in focus": config.optics,
                "out of focus": replace(config.optics, defocus_mm=depth),
                "one side soft": replace(
                    config.optics, defocus_mm=soft / 2, tilt_mm=sign * soft / 2
                ),
                "dust": replace(config.optics, lens_dust=int(rng.integers(2, 8))),
            }
            sharp: list[Sharpness] = []
            for made, lens in lenses.items():
                seen: list[Sharpness] = []
                spots: list[np.ndarray] = []
                alarms: list[bool] = []
                for mosaic in roll(config, lens):
                    if made != "dust":
                        seen.append(measure_sharpness(mosaic, REGION))
                    if made in ("in focus", "dust"):
                        spots.append(find_spots(mosaic, REGION))
                        alarms.append(bool(compare_dust(spots[-1], spots[:-1])))
                if alarms:
                    count_dust(dust.setdefault(process.value, Counter()), made, alarms)
                if made == "in focus":
                    sharp = seen
                soft_side = "right" if sign > 0 else "left"
                for one in seen:
                    told = told_of(one, reference_of(sharp), soft_side)
                    focus.setdefault(f"{process.value}, {made}", Counter())[told] += 1
    return focus, dust


def told_of(one: Sharpness, reference: Sharpness | None, side: str) -> str:
    """Return in a word what the detector says of a frame."""
    findings = compare_focus(one, reference)
    if findings:
        if findings[0].code == "out-of-focus":
            return "out of focus"
        # Of a frame that is soft all over the side is named that is least so.
        named = side if "falls off" in findings[0].text else _OTHER[side]
        return "right side" if named in findings[0].text else "wrong side"
    clean = one.noise < 0.8 * reference.overall if reference else np.zeros(1, bool)
    return "silent" if np.count_nonzero(clean & np.isfinite(one.grid)) >= 6 else "cannot tell"


def count_dust(counter: Counter[str], made: str, alarms: list[bool]) -> None:
    """Count rolls, rolls with dust found, the frame that told it first, and false alarms."""
    if made == "dust":
        counter["rolls"] += 1
        if any(alarms):
            counter["found"] += 1
            counter["first"] += alarms.index(True) + 1
    else:
        counter["clean frames"] += len(alarms)
        counter["false"] += sum(alarms)


def gates(count: int) -> dict[str, Counter[str]]:
    """Return the counts of the detectors that look at the open gate."""
    result: dict[str, Counter[str]] = {}
    for seed in range(count):
        rng = np.random.default_rng((seed, 23))
        seconds = float(rng.choice([1 / 30, 1 / 60, 1 / 125, 1 / 250, 1 / 500]))
        config = a_bench(FilmProcess.BW_NEGATIVE, seed)
        sensor = replace(config.sensor, readout_seconds=float(rng.uniform(0.022, 0.06)))
        # Enough light at every time that the gate is neither saturated nor black.
        strength = float(rng.uniform(0.2, 0.6)) / (1.5 * seconds * 15)
        optics = replace(
            config.optics,
            lens_falloff=float(rng.uniform(0, 0.2)),
            lens_dust=int(rng.integers(0, 4)),
        )
        quiet = LampConfig(strength=strength, hot_spot=float(rng.uniform(0, 0.02)))
        hertz = float(rng.choice([100.0, 120.0]))
        ripple = float(rng.uniform(0.02, 0.3))
        depth = 100 * ripple * abs(float(np.sinc(hertz * seconds)))
        slope = float(rng.uniform(0.08, 0.25)) * float(rng.choice([-1, 1]))
        room = float(rng.uniform(0.003, 0.05))
        cases = {
            "nothing": (quiet, 0.0),
            "flicker": (replace(quiet, flicker=ripple, flicker_hz=hertz), 0.0),
            "uneven": (replace(quiet, gradient_x=slope), 0.0),
            "stray": (quiet, room),
        }
        for made, (shine, room_light) in cases.items():
            if made == "flicker" and depth < 1.0:
                continue
            bench = CopyStand(
                replace(config, sensor=sensor, optics=optics, lamp=shine, room_light=room_light)
            )
            codes = judge_gate(bench, seconds, room=made == "stray")
            counter = result.setdefault(made, Counter())
            counter["made"] += 1
            counter.update(codes)
    return result


def judge_gate(bench: CopyStand, seconds: float, room: bool) -> list[str]:
    """Photograph the open gate and the lamp off, and return the codes of what is found."""
    exposure = CameraExposure(seconds, 8.0, 100.0)
    bench.hand.remove_film()
    if room:
        bench.hand.mishap("room-light")
    mosaic = photographed(bench, exposure)
    bench.hand.lamp(False)
    picture = survey(mosaic)
    share = stray_share(survey(photographed(bench, exposure)), picture)
    found = judge_light(measure_light(mosaic, picture), seconds=seconds)
    return [f.code for f in [*found, *judge_stray_light(share)]]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rolls", type=int, default=4, help="rolls of each kind of film")
    parser.add_argument("--gates", type=int, default=60, help="open gates")
    wanted = parser.parse_args()
    words = ("out of focus", "right side", "wrong side", "silent", "cannot tell")
    focus, dust = focus_and_dust(wanted.rolls)
    print("| Film, made | Frames |", " | ".join(words), "|")
    print("| --- | ---: |" + " ---: |" * len(words))
    for made, counter in focus.items():
        cells = " | ".join(str(counter[word]) for word in words)
        print(f"| {made} | {counter.total()} | {cells} |")
    print("\n| Film | Dusty rolls | Found | First told at frame | Clean frames | False alarms |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    for film, counter in dust.items():
        first = counter["first"] / max(1, counter["found"])
        print(f"| {film} | {counter['rolls']} | {counter['found']} | {first:.1f} | "
              f"{counter['clean frames']} | {counter['false']} |")  # fmt: skip
    shown = ("lamp-flicker", "light-uneven", "stray-light")
    print("\n| Made | Gates |", " | ".join(shown), "|")
    print("| --- | ---: |" + " ---: |" * len(shown))
    for made, counter in gates(wanted.gates).items():
        print(f"| {made} | {counter['made']} |", " | ".join(str(counter[c]) for c in shown), "|")


if __name__ == "__main__":
    main()
