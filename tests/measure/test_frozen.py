"""What is stored of a picture does not change by accident: keys, codes and texts, as JSON.

`frozen.json` beside this file was written at commit 8593120. A change that is meant is written
with ``python -m tests.measure.test_frozen`` and looked at with ``git diff``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import open_gate, photographed
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.measure.frame import FrameContext, measure_frame
from tether.measure.light.open_gate import (
    judge_light,
    judge_power,
    judge_stray_light,
    measure_light,
    stray_share,
)
from tether.measure.roll.memory import RollMemory
from tether.measure.survey import survey
from tether.session.judge import unjudged
from tether.settings import LAMP, STROBE, Settings

FROZEN = Path(__file__).with_name("frozen.json")
SHUTTERS = tuple((f"1/{n}", 1 / n) for n in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60))
BW, COLOUR, SLIDE = FilmProcess.BW_NEGATIVE, FilmProcess.COLOUR_NEGATIVE, FilmProcess.TRANSPARENCY
SECONDS = {BW: 1 / 15, COLOUR: 1 / 10, SLIDE: 1 / 30}
MOVES = ("half-way", "not-advanced")
SENSOR = SensorConfig(width=1152, height=768)


def frames(
    process: FilmProcess,
    *takes: tuple[int, str, float],
    strobe: bool = False,
    view: str = "rebate",
) -> Iterator[dict[str, Any]]:
    """Judge frames of a roll: each its number, its mishap, and times the right exposure.

    The roll remembers those without one.
    """
    bench = CopyStand(BenchConfig(process=process, framing=view, seed=21, sensor=SENSOR))
    memory, settings = RollMemory(), Settings()
    if strobe:
        settings = replace(settings, light=replace(settings.light, kind=STROBE))
    for number, mishap, times in takes:
        if mishap in MOVES:
            bench.hand.mishap(mishap)
        bench.hand.go_to(number)
        if mishap not in ("", "damaged", *MOVES):
            bench.hand.mishap(mishap)
        seconds = SECONDS[process] * times
        context = FrameContext(
            process, bench.config.film_format, number, ("now", seconds), SHUTTERS, settings, memory
        )
        mosaic = photographed(bench, CameraExposure(seconds, 8, 100))
        if mishap == "damaged":
            data = mosaic.data.copy()
            data[500:] = 0
            mosaic = replace(mosaic, data=data)
        measured = measure_frame(mosaic, context)
        if not mishap:
            memory = measured.memory
        yield measured.as_json()


def lights() -> Iterator[dict[str, Any]]:
    """Judge open gates and frames with the lamp off."""
    settings = Settings()
    for mishaps, seconds, strobe in (
        ((), 1 / 60, False), (("lamp-uneven",), 1 / 60, False), (("lamp-flicker",), 1 / 250, False),
        ((), 1 / 4, False), ((), 1 / 4, True), ((), 1 / 8000, False), ((), 1 / 8000, True),
        ((), 1 / 250, True), ((), 1 / 60, True), ((), 1 / 320, False),
    ):  # fmt: skip
        mosaic = open_gate(*mishaps, seconds=seconds, sensor=SensorConfig(960, 640))
        light = measure_light(mosaic, survey(mosaic))
        chosen = replace(settings.light, kind=STROBE if strobe else LAMP)
        found = judge_light(
            light, chosen, seconds=seconds, shutters=SHUTTERS, white_balance=(1.0, 1.0, 3.0)
        ) + (judge_power(light) if strobe else [])
        yield {"findings": [f.as_json() for f in found]}
    lit = survey(open_gate(seconds=1 / 60, sensor=SensorConfig(960, 640)))
    for mishaps, lamp in ((("room-light",), False), ((), True), ((), False)):
        dark = survey(open_gate(*mishaps, seconds=1 / 60, lamp=lamp, sensor=SensorConfig(960, 640)))
        yield {"findings": [f.as_json() for f in judge_stray_light(stray_share(dark, lit))]}


def everything() -> dict[str, Any]:
    """Return all that is frozen, by name."""
    return {
        "bw": list(frames(
            BW, (1, "", 1), (2, "", 1), (3, "over", 4), (3, "out-of-focus", 1),
        )),
        "bw-light": list(frames(
            BW, (1, "", 1), (2, "", 1), (2, "", 0.3), (4, "blank", 1), (3, "lamp-bright", 2),
        )),
        "bw-film": list(frames(
            BW, (1, "", 1), (2, "", 1), (3, "not-advanced", 1), (4, "half-way", 1),
            (5, "tilted-strip", 1), (6, "damaged", 1),
        )),
        "colour": list(frames(COLOUR, (1, "", 1), (2, "", 1), (3, "wrong-side", 1), view="wide")),
        "side": list(frames(COLOUR, (1, "", 1), (2, "", 1), (3, "one-side-soft", 1))),
        "slide": list(frames(SLIDE, (2, "", 1), (2, "", 4), (3, "", 0.1), (4, "blank", 1))),
        "strobe": list(frames(BW, (1, "", 1), (2, "", 1), (3, "", 0.3), strobe=True)),
        "light": list(lights()),
        "unjudged": [
            unjudged(TetherError("It is no raw file.", todo="Look at it."), b"").facts.stored,
            unjudged(TetherError("It is no raw file."), b"").facts.stored,
        ],
    }  # fmt: skip


def differences(now: Any, then: Any, where: str = "") -> list[str]:
    """Say where the two differ; figures may by what machines round, texts may not at all."""
    if isinstance(then, dict) and isinstance(now, dict):
        out = (
            [f"{where}: other keys: {sorted(set(now) ^ set(then))}"]
            if set(now) != set(then)
            else []
        )
        return out + [
            d for k in then if k in now for d in differences(now[k], then[k], f"{where}.{k}")
        ]
    if isinstance(then, list) and isinstance(now, list) and len(now) == len(then):
        return [d for i, v in enumerate(then) for d in differences(now[i], v, f"{where}[{i}]")]
    if (
        isinstance(then, float | int)
        and isinstance(now, float | int)
        and not isinstance(then, bool)
    ):
        return (
            [] if np.isclose(now, then, rtol=0.02, atol=0.02) else [f"{where}: {now}, was {then}"]
        )
    return [] if now == then else [f"{where}: {now!r}, was {then!r}"]


@pytest.mark.timeout(240)
def test_what_is_stored_of_a_picture_is_what_it_was() -> None:
    now = json.loads(json.dumps(everything()))
    assert differences(now, json.loads(FROZEN.read_text(encoding="utf-8"))) == []


def written(values: dict[str, Any]) -> str:
    """Return it as JSON with a line for each key of a picture, so that a change shows in a diff."""
    groups = []
    for name, pictures in sorted(values.items()):
        shown = [
            ",\n".join(
                f"  {json.dumps(k)}: {json.dumps(v, ensure_ascii=False, sort_keys=True)}"
                for k, v in sorted(p.items())
            )
            for p in pictures
        ]
        groups.append(f"{json.dumps(name)}: [" + ",\n".join(f"{{\n{p}\n}}" for p in shown) + "]")
    return "{" + ",\n".join(groups) + "}\n"


if __name__ == "__main__":
    FROZEN.write_text(written(everything()), encoding="utf-8")
