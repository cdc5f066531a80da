"""Light of the room on the film, told by the mask around the gate; careful frames are silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.measure.on_bench import photographed
from tether.film import FilmProcess
from tether.measure.exposure.base import Base
from tether.measure.frame import FrameContext, FrameMeasurement, measure_frame
from tether.measure.roll.memory import RollMemory
from tether.measure.roll.room_light import SEGMENTS, border_light, room_light
from tether.measure.survey import Survey
from tether.settings import DetectorSettings, RoomLightSettings, Settings

SHUTTER = {
    FilmProcess.BW_NEGATIVE: 1 / 15,
    FilmProcess.COLOUR_NEGATIVE: 1 / 10,
    FilmProcess.TRANSPARENCY: 1 / 30,
}


class Roll:
    """A roll on the simulated bench, judged frame by frame."""

    def __init__(self, process: FilmProcess, framing: str, seed: int = 4) -> None:
        sensor = SensorConfig(width=768, height=512)
        config = BenchConfig(process=process, framing=framing, sensor=sensor, seed=seed)
        self.bench = CopyStand(config)
        self.exposure = CameraExposure(SHUTTER[process], 8.0, 100.0)
        self.memory = RollMemory()

    def shoot(
        self, frame: int, *mishaps: str, settings: Settings | None = None, keep: bool = True
    ) -> FrameMeasurement:
        self.bench.hand.clear()
        self.bench.hand.go_to(frame)
        for code in mishaps:
            self.bench.hand.mishap(code)
        config = self.bench.config
        context = FrameContext(
            config.process, config.film_format, frame, memory=self.memory,
            settings=settings or Settings(),
        )  # fmt: skip
        shot = measure_frame(photographed(self.bench, self.exposure), context)
        if keep:
            self.memory = RollMemory.from_bytes(shot.memory.to_bytes())
        return shot


def codes(shot: FrameMeasurement) -> set[str]:
    return {finding.code for finding in shot.findings}


@pytest.mark.parametrize("process", list(FilmProcess))
@pytest.mark.parametrize("framing", ["rebate", "wide", "tight"])
def test_it_is_told_wherever_the_mask_is_in_view(process: FilmProcess, framing: str) -> None:
    roll = Roll(process, framing)
    for frame in range(1, 6):
        assert "room-light" not in codes(roll.shoot(frame))
    seen = "room-light" in codes(roll.shoot(6, "room-light"))
    # A view that ends within the picture has nothing that should be black.
    assert seen is (framing != "tight")
    # Whoever keeps the frame is told again, and not once the light is off.
    again = roll.shoot(7, "room-light")
    assert ("room-light" in codes(again)) is seen
    assert "room-light" not in codes(roll.shoot(8))


def test_of_a_negative_much_of_it_is_told_on_the_first_frame() -> None:
    shot = Roll(FilmProcess.COLOUR_NEGATIVE, "rebate").shoot(1, "room-light")
    (finding,) = [f for f in shot.findings if f.code == "room-light"]
    # 3 per cent of the open gate, of which the base lets a third through, from one side.
    assert finding.value == pytest.approx(0.075, abs=0.02)


def test_a_lens_that_scatters_light_into_the_mask_is_no_room_light() -> None:
    seen = even(0.7, 0.7 * 0.04)
    base = Base({"L": 0.7}, "rebate", clipped=False)
    border = border_light(seen)
    for earlier in ([], [border] * 5):
        assert room_light(seen, border, earlier, base, RoomLightSettings()) == []


def even(light: float, mask: float) -> Survey:
    """Return a view of even base with a mask all round."""
    signal = np.full((1, 400, 600), light, np.float32)
    signal[:, :8] = signal[:, -8:] = signal[:, :, :8] = signal[:, :, -8:] = mask
    return Survey(signal, 2, ("L",))


def test_how_bright_it_is_decides_how_grave_it_is() -> None:
    black = [border_light(even(0.7, 0.0005))] * 3
    told = []
    for share in (0.005, 0.02, 0.08):
        seen = even(0.7, 0.7 * share)
        of = border_light(seen)
        assert of.shape == (4, SEGMENTS)
        slide = room_light(seen, of, black + black, None, RoomLightSettings())
        told.append(slide[0].severity.value if slide else "")
    assert told == ["", "look", "reshoot"]


def test_a_dark_border_of_slides_is_not_taken_for_the_mask() -> None:
    """Four night pictures, then one in fog: its border is lit, and far brighter than a room."""
    night = [border_light(even(0.3, 0.001))] * 4
    fog = even(0.3, 0.3)
    assert room_light(fog, border_light(fog), night, None, RoomLightSettings()) == []


def test_a_detector_that_is_off_says_so_and_finds_nothing() -> None:
    roll = Roll(FilmProcess.COLOUR_NEGATIVE, "wide")
    off = replace(Settings(), detectors=DetectorSettings(room_light=False))
    shot = roll.shoot(1, "room-light", settings=off)
    assert "room-light" not in codes(shot)
    (finding,) = [f for f in shot.findings if f.code == "detectors-off"]
    assert finding.text == "Not looked for, by your settings: room light."
    assert "detectors-off" not in codes(roll.shoot(2))
