"""The rehearsal: the whole job against the simulated bench. The one place that knows
`tether_simulator`."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tether_simulator.bench import BenchConfig
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.mishaps import MISHAPS, Lasts
from tether_simulator.server import BenchProcess

from tether.archive.archive import REHEARSAL_CARD, Archive, is_rehearsals, make_rehearsals
from tether.archive.records import Confirmed, NewRoll, Roll, RollError, Scope
from tether.film import FILM_FORMATS, FilmProcess
from tether.launch import Start, connector, opened, run_screen
from tether.paths import whole_path
from tether.reports.rolls import go_on, program
from tether.session.events import (
    BlankLaid,
    Event,
    FilmPutBack,
    FilmWanted,
    FocusRingTurned,
    GateOpened,
    LampSwitched,
    LiveViewMagnified,
    StepConfirmed,
    StrobePowerTurned,
)
from tether.settings import Settings
from tether.text import printable

USUAL_SEED = 1
"""Which invented pictures, where nobody asks for others."""


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a rehearsal is made of.

    ``archive`` None means the user's own rehearsal folder; ``name`` is the roll to go on with;
    ``film`` and ``film_format`` None that any unfinished roll is gone on with, and that a new one
    is what is usual; ``settings_file`` is where ``settings`` came from, where a file was named;
    ``window`` asks for a window beside the terminal.
    """

    archive: Path | None = None
    name: str | None = None
    film: FilmProcess | None = None
    film_format: str | None = None
    frames: int = 6
    strips: int = 6
    seed: int = USUAL_SEED
    fresh: bool = False
    hands_free: bool = False
    settings: Settings = field(default_factory=Settings)
    settings_file: Path | None = None
    window: bool = False


_HAND_SECONDS = 1.0
"""How long the simulated hand takes to move the film by a frame."""

_PUT_RIGHT = {
    "stand-square": ("one-side-soft",),
    "lens-clean": ("dust-on-lens",),
    "focus-lock": ("out-of-focus",),
    "strip-line-up": ("tilted-strip",),
}
"""By the step: the mishaps that are over when it is done."""


class SimulatedHand:
    """Moves the simulated film when the person says that it was moved."""

    def __init__(self, bench: BenchProcess, roll: Roll) -> None:
        self._bench = bench
        self._roll = roll
        self._hands_free = False
        self._said = 0  # the frame that the person last said to have brought into the gate

    def listen(self, event: Event) -> None:
        """Do with the simulated bench what the person says was done."""
        match event:
            case StepConfirmed(step):
                self._confirmed(step)
            case GateOpened():
                self._bench.remove_film()
            case FilmPutBack():
                self._put_back()
            case BlankLaid():
                self._bench.lay_blank()
            case LampSwitched(on):
                self._bench.lamp(on)
            case StrobePowerTurned(stops):
                self._bench.turn_power(stops)
            case LiveViewMagnified(zoom):
                self._bench.magnify(zoom)
            case FocusRingTurned(mm):
                self._bench.turn_ring(mm)
            case FilmWanted(frame, shot):
                self._move(frame, shot)

    def _move(self, frame: int | None, shot: int | None) -> None:
        """Move the film as a hand would that nobody tells to; None: keys say it again."""
        self._hands_free = frame is not None
        if frame is None:
            return
        if frame == shot:
            for code in self._bench.active():
                self._bench.put_right(code)
        self._said = frame
        self._bench.slide_to(frame, _HAND_SECONDS, laid_anew=frame == shot or shot is None)

    def _confirmed(self, step: Confirmed) -> None:
        """Load the strip, or bring the frame into the gate."""
        if self._hands_free:
            return
        if step.scope is Scope.STRIP and step.key == "strip-load":
            self._bench.reload()
            # The roll may have got frames and a strip since the hand took it.
            self._go_to((step.place - 1) * self._roll.strip_length + 1)
        elif step.scope is Scope.FRAME and step.key == "frame-advance":
            self._go_to(step.place)
        for code in _PUT_RIGHT.get(step.key, ()):
            self._bench.put_right(code)

    def _go_to(self, frame: int) -> None:
        self._said = frame
        # The simulated film has as many frames as the roll had at its start.
        self._bench.go_to(min(frame, self._roll.frames_expected))

    def mishaps(self) -> tuple[tuple[str, str, str], ...]:
        """Return everything that can be made to go wrong."""
        return self._bench.mishaps()

    def active(self) -> tuple[str, ...]:
        """Return what is wrong now."""
        return self._bench.active()

    def toggle(self, code: str, frame: int | None = None) -> None:
        """Let a mishap happen, or put it right; a picture's own strikes ``frame``."""
        of_picture = any(m.code == code and m.lasts is Lasts.FRAME for m in MISHAPS)
        if of_picture and frame is not None and self._said != frame:
            # Asked less, the person has not said yet that the frame lies in the gate.
            self._go_to(frame)
        if code in self._bench.active():
            self._bench.put_right(code)
        else:
            self._bench.mishap(code)

    def press_button(self, frame: int) -> None:
        """Bring a frame into the gate, and press the simulated camera's own shutter button."""
        if self._said != frame:
            self._go_to(frame)
        self._bench.press_button()

    def _put_back(self) -> None:
        """Put the film back with the frame that was brought into the gate last, if any was."""
        if self._said:
            self._go_to(self._said)
        else:
            self._bench.remove_film()


def home() -> Path:
    """Return the folder that rehearsals are kept in when none is named."""
    from platformdirs import user_data_path

    return user_data_path("tether") / "rehearsal"


def find_roll(archive: Archive, plan: Rehearsal) -> Roll:
    """Return the roll that was named; else the newest unfinished one of the film asked for, or new.

    Raises
    ------
    RollError
        When the roll that was named is not there, or was not made by a rehearsal.
    TetherError
        When none was named, and the archive holds rolls of real film.
    """
    if plan.name is not None:
        return _named(archive, plan.name)
    make_rehearsals(archive)
    if not plan.fresh:
        for p in archive.store.rolls.unfinished():
            asked = plan.film in (None, p.roll.process) and plan.film_format in (
                None,
                p.roll.format_key,
            )
            if asked:
                return p.roll
    number = archive.store.rolls.totals().rolls + 1
    while archive.store.rolls.has(f"Rehearsal {number}"):
        number += 1
    return archive.store.rolls.add(
        NewRoll(
            f"Rehearsal {number}",
            plan.film or FilmProcess.BW_NEGATIVE,
            plan.film_format or "135",
            plan.frames,
            plan.strips,
            "Invented film on the simulated bench.",
        )
    )


def _named(archive: Archive, name: str) -> Roll:
    where = shlex.quote(str(archive.root))
    try:
        roll = archive.store.rolls.named(name)
    except RollError as error:
        raise RollError(
            error.what,
            kept=error.kept,
            todo=f"Check the name with '{program()} rolls --archive {where}'. Without a name, the "
            "newest unfinished rehearsal resumes, or a new one starts.",
        ) from error
    if not is_rehearsals(archive.root):
        raise RollError(
            f"The roll '{printable(name)}' is not a rehearsal.",
            kept="Nothing was changed: no simulated picture came into it.",
            todo=f"To resume it: {go_on(archive, name)}",
        )
    return roll


@contextmanager
def bench_for(roll: Roll, plan: Rehearsal, card: Path) -> Iterator[BenchProcess]:
    """Start the simulated bench with the film of a roll, and stop it in the end."""
    # The roll's number makes its pictures its own, and the same again after a stop.
    config = BenchConfig(
        process=roll.process,
        film_format=FILM_FORMATS[roll.format_key],
        frames=roll.frames_expected,
        frames_per_strip=roll.strip_length or roll.frames_expected,
        seed=plan.seed * 1000 + roll.id,
        lamp=LampConfig(strobe=plan.settings.light.strobe),
    )
    bench = BenchProcess.start(config, card=card)
    try:
        yield bench
    finally:
        bench.close()


def again(plan: Rehearsal) -> tuple[str, ...]:
    """Return the options that set up the same bench again; the roll knows its film."""
    seed = () if plan.seed == USUAL_SEED else ("--seed", str(plan.seed))
    file = plan.settings_file
    hands_free = ("--hands-free",) if plan.hands_free else ()
    return (
        *seed,
        *hands_free,
        *(("--settings", str(whole_path(file))) if file is not None else ()),
    )


@contextmanager
def prepared(plan: Rehearsal) -> Iterator[tuple[Start, SimulatedHand]]:
    """Choose the roll and set the bench up for it."""
    root = whole_path(plan.archive or home())
    # Where a roll is named, nothing is made: it lies in an archive that is there.
    archive = Archive(root, create=plan.name is None)
    try:
        roll = find_roll(archive, plan)
    finally:
        archive.close()
    with bench_for(roll, plan, root / REHEARSAL_CARD) as bench:
        hand = SimulatedHand(bench, roll)
        yield (
            Start(
                root,
                plan.settings,
                bench.port_name,
                roll=roll.name,
                simulated=hand,
                settings_file=plan.settings_file,
                again=again(plan),
                window=plan.window,
            ),
            hand,
        )


def rehearse_on_screen(plan: Rehearsal) -> None:
    """Run the terminal program on the simulated bench."""
    with prepared(plan) as (start, _):
        run_screen(start)


def rehearse_unattended(plan: Rehearsal) -> int:
    """Run the same session without a keyboard; return the exit code."""
    from tether.reports.rolls import summary
    from tether.session.session import Session
    from tether.unattended import Unattended

    with (
        prepared(plan) as (start, hand),
        opened(start) as (archive, judge),
    ):
        roll = archive.store.rolls.named(start.roll or "")
        camera = connector(plan.settings)(start.port)
        try:
            with Session(
                archive, roll, camera, judge, plan.settings, hand.listen, attended=False
            ) as session:
                runner = Unattended(session, sys.stdout)
                runner.run()
        finally:
            camera.close()
        for line in summary(archive, roll.name):
            print(line)
        return 0 if runner.complete else 1
