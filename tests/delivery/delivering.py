"""A roll with raw files and decisions, without a camera."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tether_simulator.bench import CopyStand
from tether_simulator.bench_config import BenchConfig
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig

from tether.archive.archive import Archive
from tether.archive.open_roll import hold_roll
from tether.archive.records import Capture, FrameState, NewRoll, Roll
from tether.delivery.crew import Crew, Job, Result
from tether.delivery.folder import DeliveryOptions, DeliveryResult, DeliveryState
from tether.delivery.run import DeliveryStep, RollDelivery
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.settings import Settings

NASTY = "<script>alert(1)</script> & \"quotes\" 'single' ]]> \u202egnp"


class Inline:
    """A crew that works in this process: nothing has to be started."""

    def each_done(
        self, work: Callable[[Job], Result], jobs: Sequence[Job], largest: int
    ) -> Generator[tuple[Job, Result | Exception], None, None]:
        for job in jobs:
            try:
                yield job, work(job)
            except Exception as error:
                yield job, error


class InlineDelivery(RollDelivery):
    """As quick as a delivery can be: in this process."""

    @contextmanager
    def crew(self, _whole: DeliveryState) -> Iterator[Crew]:
        yield Inline()


@dataclass
class Kept:
    """An archive with one roll."""

    archive: Archive
    roll: Roll

    @property
    def folder(self) -> Path:
        return self.archive.folder(self.roll)

    def deliver(self, settings: Settings | None = None, **wishes: Any) -> DeliveryResult:
        return self.delivery(settings, **wishes).run()

    def delivery(self, settings: Settings | None = None, **wishes: Any) -> RollDelivery:
        self.steps: list[DeliveryStep] = []
        # Processes only where they are what is tested.
        kind = RollDelivery if "workers" in wishes else InlineDelivery
        wanted = DeliveryOptions(**{"half": True, **wishes})
        return kind(self.archive, self.roll, settings or Settings(), wanted, self.steps.append)


def kept_roll(
    root: Path,
    name: str = "Harbour",
    process: FilmProcess = FilmProcess.BW_NEGATIVE,
    frames: int = 3,
    expected: int = 4,
    notes: str = "",
    *,
    shutters: Sequence[int] = (15,),
    strobe: bool = False,
) -> Kept:
    """Return a roll whose first frames are kept; frame 1 has a second take that was not chosen.

    ``shutters`` are the fractions of a second that frames are taken at, in turn.
    """
    archive = Archive(root)
    roll = archive.store.rolls.add(NewRoll(name, process, "135", expected, 6, notes))
    hold_roll(archive, roll).release()
    shine = LampConfig(strobe=strobe)
    bench = CopyStand(
        BenchConfig(process=process, frames=expected, sensor=SensorConfig(384, 256), lamp=shine)
    )
    for number in range(1, frames + 1):
        bench.hand.go_to(number)
        takes = (1, 2) if number == 1 else (1,)
        for take in takes:
            shutter = shutters[(number - 1) % len(shutters)]
            raw = bench.expose(CameraExposure(1 / shutter, 8.0, 100.0)).raw
            file_name = f"{roll.folder}_f{number:03d}_t{take}.dng"
            (archive.folder(roll) / file_name).write_bytes(raw)
            capture = Capture(
                0,
                number,
                take,
                file_name,
                len(raw),
                hashlib.sha256(raw).hexdigest(),
                "2024-05-04T10:00:00.000+00:00",
                "program",
                settings={"shutter": f"1/{shutter}", "iso": "100", "clock": "1714816800"}
                | ({"light": "strobe"} if strobe else {}),
            )
            (stored,) = archive.store.frames.add_release(roll, [capture])
            archive.store.frames.set_judgement(
                stored.id,
                Verdict.LOOK if take == 2 else Verdict.KEEP,
                Facts.read(
                    {
                        "base_ev": -0.5,
                        "findings": [{"code": "x", "severity": "look", "text": NASTY}],
                        "histogram": {
                            "lowest_ev": -10,
                            "bin_ev": 0.25,
                            "counts": {"G1": [0, 3, 5]},
                        },
                    }
                ),
                b"",
            )
            if take == 1:
                chosen = stored.id
        archive.store.frames.decide(roll.id, number, FrameState.KEPT, chosen)
    return Kept(archive, roll)
