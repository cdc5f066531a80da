"""Hands free on a clock of its own: a made hand moves made film, and the program answers.

The loop is closed: the hand does what it is told, with mistakes, and the truth about each release
is known. Nothing here waits: each live picture puts the clock forward.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import numpy as np

from tests.film_scenes import PHOTOGRAPHS, FloatArray, Scene, Strip, finger, open_gate
from tether.archive.records import Frame, FrameState, Roll
from tether.camera.protocol import CardFile
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Verdict
from tether.session.events import Event, FilmWanted
from tether.session.hands_free import HandsFree
from tether.session.hands_free_cues import Command, Cue, Moment
from tether.session.next_step import NextKind, NextStep
from tether.settings import Settings

MANNERS = ("smooth", "smooth", "overshoot", "stops", "jerks", "creeps", "knock")
RIGHT_MM = 3.5
"""A frame within this of its place was photographed rightly: the setting and what a hand shakes."""
_EIGHT_BITS = (np.round(np.linspace(0, 1, 4096) ** (1 / 2.2) * 255) / 255).astype(np.float32) ** 2.2
"""Light as eight bits of a display's gamma leave it."""
_NOISE = np.random.default_rng(9).standard_normal(400_000).astype(np.float32)


@dataclass
class Tally:
    """What came of many moves; each mistake of the program with the seed that shows it."""

    moves: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    odometer_mm: list[float] = field(default_factory=list)
    pictures_to_release: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Way:
    """From one place to another, slow at first and at the end."""

    begin: float
    end: float
    start_mm: float
    end_mm: float

    def at(self, now: float) -> float:
        part = min(max((now - self.begin) / max(self.end - self.begin, 1e-6), 0), 1)
        share = 0.5 - 0.5 * float(np.cos(np.pi * part))
        return self.start_mm + (self.end_mm - self.start_mm) * share


class MadeHand:
    """The film's place over time, and what else is in view."""

    def __init__(self, at_mm: float) -> None:
        self.ways: list[Way] = []
        self.rest_mm = at_mm
        self.open = (0.0, 0.0)
        self.finger = (0.0, 0.0)

    def at(self, now: float) -> float:
        done = [w for w in self.ways if w.begin <= now]
        return done[-1].at(now) if done else self.rest_mm

    @property
    def end(self) -> float:
        """When the film has come to rest."""
        return max([w.end for w in self.ways] + [self.open[1]])

    def go(self, begin: float, end_mm: float, speed: float, manner: str) -> None:
        """Move the film: ``speed`` is the greatest, in millimetres a second."""
        start = self.at(begin)
        self.rest_mm, self.ways = start, []
        way = float(np.sign(end_mm - start))
        places = [end_mm]
        if manner == "overshoot":
            places = [end_mm + 4 * way, end_mm]
        elif manner == "stops":
            places = [start + 0.4 * (end_mm - start), end_mm]
        elif manner == "jerks":
            places = list(np.linspace(start, end_mm, 9)[1:])
        elif manner == "creeps":
            places = [end_mm - 2.5 * way, end_mm]
        elif manner == "knock":
            places = [end_mm, end_mm + 0.6, end_mm - 0.3, end_mm]
        for index, place in enumerate(places):
            slow = 1.5 if manner == "creeps" and index else speed
            pause = 0.12 if manner in ("stops", "jerks") and index else 0.0
            pause = 0.25 if manner == "knock" and index == 1 else pause
            end = begin + pause + max(abs(place - start) * np.pi / 2 / slow, 0.05)
            self.ways.append(Way(begin + pause, end, start, place))
            begin, start = end, place


class MadeBench:
    """Camera, session and hand in one; see `try_roll`."""

    def __init__(self, scene: Scene, seed: int, tally: Tally, strips: int = 2) -> None:
        self.rng = np.random.default_rng(seed)
        self.scene, self.seed, self.tally = scene, seed, tally
        self.per_strip = {"135": 6, "135-half": 6}.get(scene.form.key, 4)
        self.back = bool(self.rng.random() < 0.5)
        pictures = self.rng.permutation(PHOTOGRAPHS)[: strips * self.per_strip]
        self.films = [Strip(scene, list(p), self.rng) for p in np.split(pictures, strips)]
        self.now, self.interval = 0.0, 1 / float(self.rng.uniform(10, 30))
        self.speed = 150.0
        self.hand = MadeHand(self.middle(1))
        self.strip = 0
        self.states = dict.fromkeys(range(1, strips * self.per_strip + 1), FrameState.OPEN)
        self.truth: dict[int, list[int]] = {}
        self.waiting: Any = None
        self.by_key = self.mistaken = False
        self.todo: list[tuple[float, Moment | FilmWanted]] = []
        self.late: deque[FloatArray] = deque(maxlen=scene.late + 1)
        self.judged = threading.Event()
        self.due = float("inf")
        self.moment: Moment | None = None
        self.when_exposed: Any = None
        self.done = False
        self.ids = 0
        self._bare = open_gate(scene)
        self._be_a_session()

    # --- what `HandsFree` asks of a session ----------------------------------------------------

    def _be_a_session(self) -> None:
        settings, scene = Settings(), self.scene
        nothing = SimpleNamespace(log=lambda *_: None)
        process = FilmProcess.BW_NEGATIVE if scene.negative else FilmProcess.TRANSPARENCY
        self.session: Any = SimpleNamespace(
            settings=settings,
            roll=Roll(
                1, "Moved", "moved", process, scene.form.key, len(self.states), self.per_strip
            ),
            open_roll=nothing,
            tethered=SimpleNamespace(camera=self, state=None, connected=self.connected),
            verdicts=SimpleNamespace(judging=self),
            shooting=SimpleNamespace(take_from_camera=lambda **_: None),
            checklist=SimpleNamespace(confirm=lambda *_: None),
            announce=self.announce,
            next_step=self.next_step,
            frames=lambda: [Frame(n, s) for n, s in self.states.items()],
            capture=self.take,
            keep=self.keep,
            shoot_again=self.shoot_again,
        )
        session: Any = self.session
        self.work = HandsFree(session, self.tell, lambda: self.now)

    def connected(self, *_: str) -> Any:
        return self.session.tethered.camera

    def strip_of(self, frame: int) -> int:
        return (frame - 1) // self.per_strip + 1

    def next_step(self) -> NextStep:
        frame = next((n for n, s in self.states.items() if s is FrameState.OPEN), None)
        if frame is None:
            return NextStep(NextKind.DONE)
        strip = self.session.roll.strip_of(frame)
        if self.waiting is not None:
            return NextStep(NextKind.DECIDE, frame, strip, capture=self.waiting)
        return NextStep(NextKind.SHOOT, frame, strip)

    def keep(self) -> None:
        self.states[self.waiting.frame] = FrameState.KEPT
        shown = self.truth[self.waiting.frame][-1]
        if shown != self.waiting.frame:
            self.tally.wrong.append(f"seed {self.seed}: frame {self.waiting.frame} shows {shown}")
        self.waiting = None

    def shoot_again(self) -> None:
        self.waiting = None

    def take(self, report: Any) -> None:
        frame = self.next_step().frame or 0
        self.session.tethered.camera.capture()
        self.session.tethered.camera.fetch(CardFile("/", "A", 12_000_000), Path("none"))
        off = self.middle(frame) - self.shot_mm
        bad = abs(off) > RIGHT_MM or self.rng.random() < 0.04
        self.due = self.now + float(self.rng.uniform(0.3, 1.5))
        self.judged.clear()
        self.session.verdicts.judging.judge(Path("none"), SimpleNamespace())
        self.ids += 1
        facts = SimpleNamespace(findings=(), texts=["Out of focus."])
        verdict = Verdict.RESHOOT if bad else Verdict.KEEP
        self.waiting = SimpleNamespace(id=self.ids, frame=frame, verdict=verdict, facts=facts)

    def judge(self, *_: object) -> None:
        self.judged.wait()

    def fetch_part(self, _file: object, _to: object, _offset: int, size: int) -> int:
        return size

    def capture(self) -> None:
        """Release the shutter: here the truth is taken down."""
        frame = self.next_step().frame or 0
        film = self.moment.film if self.moment is not None else None
        rested = self.now - self.hand.end
        self.now += 0.05
        self.shot_mm = self.hand.at(self.now)
        moving = abs(self.hand.at(self.now + 0.07) - self.hand.at(self.now - 0.07)) / 0.14
        self.now += 1 / 15
        index = self.shown_at(self.shot_mm)
        self.truth.setdefault(frame, []).append(index)
        off = self.middle(frame) - self.shot_mm
        insisted = film is not None and film.resting_seconds >= 3.0
        counts = self.tally.counts
        counts["releases"] += 1
        covered = self.hand.finger[0] <= self.now <= self.hand.finger[1]
        if self.is_open(self.now) or moving > 2.5 or (covered and self.scene.negative):
            counts["false"] += 1
            what = f"open {self.is_open(self.now)}, {moving:.1f} mm/s, hand {covered}"
            self.tally.wrong.append(f"seed {self.seed}: frame {frame} released with {what}")
        elif abs(off) > RIGHT_MM and not (insisted or self.by_key):
            counts["false"] += 1
            self.tally.wrong.append(f"seed {self.seed}: frame {frame} released {off:.1f} mm off")
        elif not (insisted or self.by_key):
            self._measure(film, rested)
        self.by_key = False
        if self.when_exposed is not None:
            self.when_exposed()
        self.now += float(self.rng.choice([0.02, 0.1, 0.3, 0.3, 0.8, 2.0]))

    def _measure(self, film: Any, rested: float) -> None:
        settle = Settings().hands_free.settle_seconds
        if self.last_manner not in ("knock", "creeps") and self.hand.finger[1] < self.hand.end:
            self.tally.pictures_to_release.append((rested - settle) / self.interval)
        if film is not None and film.certain and self.measured_from is not None:
            true = abs(self.shot_mm - self.measured_from)
            counted = abs(self.work._counter.forward_mm(film))
            self.tally.odometer_mm.append(abs(true - counted))
        self.measured_from = self.shot_mm

    # --- live view ----------------------------------------------------------------------------

    def preview(self) -> FloatArray:
        """Put the clock forward by a picture, or by more where some are lost."""
        before, lost = self.now, self.rng.random()
        self.now += self.interval * (6 if lost < 0.003 else 2 if lost < 0.03 else 1)
        self._react()
        if self.now >= self.due:
            self.judged.set()
        light = self._bare
        if not self.is_open(self.now):
            begin = self.now - 0.5 * (self.now - before)
            light = self._light(self.hand.at(begin), self.hand.at(self.now))
        begin, end = self.hand.finger
        if begin <= self.now <= end:
            reach = min(1.0, (self.now - begin) / 0.15, (end - self.now) / 0.15)
            light = light * finger(self.scene, 0.1 + 0.25 * max(reach, 0.0))
        self.late.append(self._developed(light))
        return self.late[0]

    def _light(self, start_mm: float, end_mm: float) -> FloatArray:
        key = (self.strip, start_mm, end_mm)
        if self._lit is None or self._lit[0] != key:
            self._lit = (key, self.films[self.strip].seen(start_mm, end_mm))
        return self._lit[1]

    def _developed(self, light: FloatArray) -> FloatArray:
        """What the camera makes of the light: its gain, its noise, its eight bits."""
        scene = self.scene
        picture = 0.85 * light.T if scene.turned else 0.85 * light
        if scene.flicker:
            rows = np.arange(picture.shape[0]) / picture.shape[0]
            wave = 1 + scene.flicker * np.sin(2 * np.pi * (2.3 * rows + 7.1 * self.now))
            picture = picture * wave[:, None].astype(np.float32)
        if scene.gain:
            picture = picture * np.float32(0.35 / max(float(picture.mean()), 0.02))
        start = int(self.rng.integers(0, _NOISE.size - picture.size))
        picture = picture + scene.noise * _NOISE[start : start + picture.size].reshape(
            picture.shape
        )
        made: FloatArray = _EIGHT_BITS[np.clip(picture * 4095, 0, 4095).astype(np.int16)]
        return made

    # --- the hand -----------------------------------------------------------------------------

    def middle(self, frame: int) -> float:
        """Where a frame's middle lies on its strip, in millimetres."""
        index = (frame - 1) % self.per_strip
        index = self.per_strip - 1 - index if self.back else index
        return (index + 0.5) * self.scene.form.pitch

    def shown_at(self, at_mm: float) -> int:
        """Return the frame that lies in the gate."""
        index = int(np.clip(np.floor(at_mm / self.scene.form.pitch), 0, self.per_strip - 1))
        index = self.per_strip - 1 - index if self.back else index
        return self.strip * self.per_strip + index + 1

    def is_open(self, now: float) -> bool:
        return self.hand.open[0] <= now < self.hand.open[1]

    def tell(self, moment: Moment) -> None:
        """Hear what the program says."""
        before, self.moment = self.moment, moment
        if moment.cue is Cue.DONE:
            self.done = True
        if before is None or (before.cue, before.frame, before.text) != (
            moment.cue, moment.frame, moment.text,
        ):  # fmt: skip
            self.tally.counts[f"said: {moment.cue.value}"] += 1
            waits = {Cue.MOVE_ON: (0.15, 0.5), Cue.LAY_STRIP: (0.2, 0.6)}.get(moment.cue, (0.4, 1))
            if moment.cue is not Cue.HOLD_STILL:
                self.todo = [(self.now + float(self.rng.uniform(*waits)), moment)]

    def announce(self, event: Event) -> None:
        """Hear that the same film is still wanted."""
        moment = self.moment
        again = isinstance(event, FilmWanted) and event.frame is not None and not self.todo
        if again and moment is not None and self.hand.end < self.now:
            self.todo = [(self.now + 0.3, moment)]

    def _react(self) -> None:
        if not self.todo or self.todo[0][0] > self.now:
            return
        _, moment = self.todo.pop(0)
        if not isinstance(moment, Moment):
            return
        covered = self.hand.finger[0] <= self.now <= self.hand.finger[1]
        if moment.cue is Cue.COUNT_LOST or (moment.cue is Cue.HAND and not covered):
            self._count_lost(moment)
        elif moment.cue in (Cue.WRONG_PLACE, Cue.RESHOOT):
            self._as_told(moment)
        elif moment.cue is Cue.LOOK:
            self.work.command(Command.KEEP)
        elif moment.cue is Cue.MOVE_ON and moment.frame is not None:
            self._move(moment.frame)
        elif moment.cue is Cue.LAY_STRIP and moment.frame is not None:
            if self.strip_of(moment.frame) == self.strip + 1:
                self._count_lost(moment)  # it was laid, and the open gate not seen
            else:
                self._lay(moment.frame)

    def _count_lost(self, moment: Moment) -> None:
        """Put the film right by eye, let it rest, and say so by the key."""
        frame = moment.frame or 1
        lies = abs(self.hand.at(self.now) - self.middle(frame)) < 0.8
        if lies and self.now > self.hand.end + 0.6:
            self.by_key = True
            self.work.command(Command.SHOOT)
        elif lies:
            self.todo = [(self.hand.end + 0.7, moment)]
        else:
            self.hand.go(self.now, self.middle(frame), 60.0, "smooth")
            self.todo = [(self.hand.end + 0.7, moment)]

    def _as_told(self, moment: Moment) -> None:
        """Follow the arrow."""
        if self.strip_of(moment.frame or 1) != self.strip + 1:
            self._lay(moment.frame or 1)
            return
        way = -1.0 if self.back else 1.0
        here, frame = self.hand.at(self.now), moment.frame or 1
        target = here + way * (self.moment.push_mm if self.moment else 0.0)
        if abs(target - here) < 0.5 or moment.cue is Cue.RESHOOT:
            target = self.middle(frame)
            if abs(here - target) < 0.5:  # it lies right: lift and lay it again
                target = here + 0.6 * float(self.rng.choice([-1, 1]))
        self.last_manner = "smooth"
        self.hand.go(self.now, target + 0.1 * float(self.rng.standard_normal()), 60.0, "smooth")

    def _move(self, frame: int) -> None:
        if self.strip_of(frame) != self.strip + 1:
            self._lay(frame)
            return
        self.tally.moves += 1
        target = self.middle(frame) + 0.15 * float(self.rng.standard_normal())
        here, pitch = self.hand.at(self.now), self.scene.form.pitch
        if not self.mistaken and self.rng.random() < 0.12:
            self.mistaken = True
            self.tally.counts["mistakes"] += 1
            steps = float(self.rng.choice([0.0, 2.0, -1.0, 0.5]))
            target = here + steps * (target - here)
            if self.rng.random() < 0.4:
                off = self.rng.uniform(5, 0.45 * pitch) * self.rng.choice([-1, 1])
                target = self.middle(frame) + float(off)
            target = float(np.clip(target, 0.5 * pitch, (self.per_strip - 0.5) * pitch))
        else:
            self.mistaken = False
        self.last_manner = str(self.rng.choice(MANNERS))
        self.hand.go(self.now, target, float(self.rng.uniform(30, self.speed)), self.last_manner)
        if self.rng.random() < 0.3:
            longer = float(self.rng.choice([0.0, 0.2, 1.5]))
            self.hand.finger = (self.now, self.hand.end + longer)

    def _lay(self, frame: int) -> None:
        self.tally.moves += 1
        self.strip = (frame - 1) // self.per_strip
        self.hand.open = (self.now, self.now + float(self.rng.uniform(0.5, 1.5)))
        self.hand.ways = []
        self.hand.rest_mm = self.middle(frame) + 0.2 * float(self.rng.standard_normal())
        self.measured_from, self.last_manner = None, "smooth"

    last_manner = "smooth"
    measured_from: float | None = None
    shot_mm = 0.0
    _lit: tuple[tuple[int, float, float], FloatArray] | None = None


def drawn_scene(rng: np.random.Generator, *, form: str | None = None) -> Scene:
    """Draw a film, its view and the manners of a live view."""
    keys = ("135", "135", "135", "135-half", "135-mount", "120-645", "120-6x6", "120-6x9")
    return Scene(
        FILM_FORMATS[form or str(rng.choice(keys))],
        negative=bool(rng.random() < 0.7),
        view=str(rng.choice(["rebate", "rebate", "wide", "tight"])),
        flicker=float(rng.choice([0.0, 0.0, 0.03, 0.1])),
        gain=bool(rng.random() < 0.2),
        late=int(rng.choice([0, 0, 1, 2])),
    )


def try_roll(seed: int, tally: Tally, scene: Scene | None = None, *, patience: float = 240) -> bool:
    """Work through a roll of two strips; return whether it came to its end."""
    scene = scene or drawn_scene(np.random.default_rng((seed, 1)))
    bench = MadeBench(scene, seed, tally)
    with patch(
        "tether.session.live_film.read_linear", lambda light, **_: light[..., None][..., [0, 0, 0]]
    ):
        bench.work.run(lambda: bench.done or bench.now > patience)
    ended = all(state is FrameState.KEPT for state in bench.states.values())
    if not ended:
        said = bench.moment
        what = f"{said.cue.value}: {said.text}" if said else ""
        tally.counts["stuck"] += 1
        tally.wrong.append(f"seed {seed}: stuck at {what} {scene.form.key} {scene.view}")
    return ended
