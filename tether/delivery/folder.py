"""The delivered folder: its files, what a person chose for them, and what it remembers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from tether.archive.fact_files import FactFileUnusable, write_json
from tether.archive.open_roll import RollLock
from tether.archive.records import Capture, Frame, FrameState, Roll, base_side_takes
from tether.errors import TetherError
from tether.paths import reason, whole_path
from tether.positive.exif import ShotFacts
from tether.positive.flat_field import FlatField
from tether.positive.sample import Sample
from tether.text import parsed_json, printable

RECORD = "delivery.json"
VERSION = 1


@dataclass(frozen=True, slots=True)
class Choice:
    """What a person chose for a frame's positive.

    ``turn`` in degrees clockwise, added to how the frame lies on the film; ``exposure`` in stops
    of the print, above 0 lighter; ``crop`` False prints all that the raw file shows; ``contrast``
    is one of `tether.positive.rendering.CONTRASTS`; ``mirror`` turns it left to right,
    on top of what is known of the side that faced the lens.
    """

    turn: int = 0
    exposure: float = 0.0
    crop: bool = True
    contrast: str = "normal"
    mirror: bool = False


class Mirror(NamedTuple):
    """A wish for mirroring: of a "frame" or a "strip" by its number, or of the "roll"."""

    what: str
    number: int
    mirror: bool = True


@dataclass(frozen=True, slots=True)
class DeliveryOptions:
    """What a person asked of a delivery.

    ``turns``, ``exposures``, ``crops`` and ``contrasts`` are by frame, 0 for all frames;
    ``mirrors`` name a frame, a strip or the roll, the later one counts. All are remembered in the
    delivered folder. ``flat`` is a raw file of the open gate. ``scheduler`` is
    the address of a Dask scheduler whose workers do the work; None does it here, with ``workers``
    processes. ``raw_positive`` makes raw positives too; so does ``raw_form``, in that form, see
    `RawPositiveSettings`.
    """

    to: Path | None = None
    half: bool = False
    tiff: bool = True
    turns: Mapping[int, int] = field(default_factory=dict)
    exposures: Mapping[int, float] = field(default_factory=dict)
    crops: Mapping[int, bool] = field(default_factory=dict)
    contrasts: Mapping[int, str] = field(default_factory=dict)
    mirrors: Sequence[Mirror] = ()
    flat: Path | None = None
    workers: int | None = None
    scheduler: str | None = None
    raw_positive: bool = False
    raw_form: str | None = None


def choices_with(
    known: Mapping[int, Choice], options: DeliveryOptions, roll: Roll, frames: Sequence[int]
) -> dict[int, Choice]:
    """Return the choices by frame with what is wished now; ``frames`` are the roll's.

    Raises
    ------
    TetherError
        When something is wished for a frame or strip that the roll does not have.
    """
    made = dict(known)
    named = {*options.turns, *options.exposures, *options.crops, *options.contrasts}
    named |= {wish.number for wish in options.mirrors if wish.what == "frame"}
    for number in named - {0, *frames}:
        raise TetherError(
            f"There is no frame {number} on this roll.",
            kept="Nothing was changed.",
            todo=f"Its frames are {min(frames, default=0)} to {max(frames, default=0)}.",
        )
    wished: tuple[tuple[str, Mapping[int, Any]], ...] = (
        ("turn", options.turns), ("exposure", options.exposures), ("crop", options.crops),
        ("contrast", options.contrasts),
    )  # fmt: skip
    for name, values in wished:
        for frame, value in sorted(values.items()):  # what is for all comes first
            for number in frames if frame == 0 else [frame]:
                made[number] = replace(made.get(number, Choice()), **{name: value})
    for wish in options.mirrors:
        wished_for = [n for n in frames if wish.what == "roll" or wish.number == n]
        if wish.what == "strip":
            wished_for = [n for n in frames if roll.strip_of(n) == wish.number]
            if not wished_for:
                raise TetherError(
                    f"There is no strip {wish.number} on this roll.",
                    kept="Nothing was changed.",
                    todo=f"Its strips are 1 to {roll.strips}.",
                )
        for number in wished_for:
            made[number] = replace(made.get(number, Choice()), mirror=wish.mirror)
    return made


@dataclass(slots=True)
class Record:
    """What was done, by the raw file's name.

    ``samples`` hold what a raw file was sampled with (its state on disk and the job's digest
    are the key), ``printed`` the digest of the rendering each positive was made by, ``choices``
    what a person chose, by frame. ``raw_positives`` is as ``printed``.
    """

    samples: dict[str, dict[str, Any]] = field(default_factory=dict)
    printed: dict[str, dict[str, Any]] = field(default_factory=dict)
    choices: dict[int, Choice] = field(default_factory=dict)
    raw_positives: dict[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(slots=True)
class DeliveryResult:
    """What came of a delivery.

    ``trouble`` are sentences for the person, empty when all is well; ``notes`` are others.
    ``left_out`` says of which frames nothing was kept, "" when there are none.
    """

    folder: Path
    printed: int = 0
    unchanged: int = 0
    sidecars: int = 0
    raw_made: int = 0
    raw_unchanged: int = 0
    left_out: str = ""
    notes: list[str] = field(default_factory=list)
    trouble: list[str] = field(default_factory=list)


def printed_take(frame: Frame) -> Capture | None:
    """Return the take that a frame's positive is made of, None where there is none to make.

    A frame that was marked blank or skipped after it was photographed has none.
    """
    return None if frame.state in (FrameState.BLANK, FrameState.SKIPPED) else frame.chosen


def without_pictures(frames: Sequence[Frame]) -> str:
    """Return a sentence that names the frames of which nothing was kept, "" when there are none.

    A number stands beside the word 'frame', and the reason after it: neither reads as a count.
    """
    parts = []
    for state in FrameState:
        runs: list[list[int]] = []
        for number in sorted(
            f.number for f in frames if printed_take(f) is None and f.state is state
        ):
            if runs and number == runs[-1][-1] + 1:
                runs[-1].append(number)
            else:
                runs.append([number])
        if runs:
            words = [f"{r[0]}" if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs]
            several = len(runs) > 1 or len(runs[0]) > 1
            parts.append(f"frame{'s' * several} {', '.join(words)} ({state.value})")
    return f"No positive of: {'; '.join(parts)}." if parts else ""


def strips_of(roll: Roll, frames: Sequence[Frame]) -> list[tuple[Frame, ...]]:
    """Return the frames by strips, as they lie in the sleeve; an uncut roll is one strip.

    Frames beyond the expected end of the roll lie behind it.
    """
    by_number = {f.number: f for f in frames}
    numbers = [roll.frames_of(strip) for strip in range(1, roll.strips + 1)]
    numbers.append(range(roll.frames_expected + 1, max(by_number, default=0) + 1))
    return [tuple(by_number[n] for n in strip if n in by_number) for strip in numbers if strip]


@dataclass(slots=True)
class ChosenFile:
    """A chosen raw file with what is known of it.

    ``intact`` if its SHA-256 is as recorded; ``crop`` says in words how its positive is cropped;
    ``flat`` is that of the open gate that was in force when it was photographed.
    """

    frame: Frame
    capture: Capture
    path: Path
    sample: Sample | None = None
    channels: tuple[str, ...] = ()
    shot: ShotFacts = field(default_factory=ShotFacts)
    intact: bool = False
    crop: str = ""
    flat: FlatField | None = None


class DeliveredFolder:
    """A folder with positives and reports of one roll.

    Raises
    ------
    TetherError
        When it holds something else.
    """

    def __init__(self, root: Path, roll_name: str, former_names: Iterable[str] = ()) -> None:
        self.root = whole_path(root)
        self.roll_name = roll_name
        self._names = {roll_name, *former_names}
        self.positives = self.root / "positives"
        self.small = self.root / "small"
        self.raw_positives = self.root / "raw-positives"
        self._check()

    def _check(self) -> None:
        """Refuse a folder with other people's files, or another roll's."""
        known = self.root / RECORD
        try:
            # Hidden files are no one's work: our lock, or what a file manager leaves.
            other = not known.exists() and any(
                not path.name.startswith(".") for path in self.root.iterdir()
            )
            roll = parsed_json(known.read_text("utf-8")).get("roll") if known.exists() else None
        except (OSError, ValueError, AttributeError):
            return  # a damaged record is still a record; what cannot be read is said later
        if other or (roll is not None and roll not in self._names):
            what = f"the roll '{printable(str(roll))}'" if roll else "other files"
            raise TetherError(
                f"The folder {printable(str(self.root))} holds {what}.",
                kept="Nothing was changed.",
                todo="Name a new or empty folder with --to.",
            )

    @contextmanager
    def held(self) -> Iterator[None]:
        """Make the folder where it is missing, and hold it for this process.

        Raises
        ------
        TetherError
            When it cannot be made or written to, or another program delivers into it.
        """
        lock = None
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            with suppress(OSError):  # a disk that knows no locks does without
                lock = RollLock(self.root / ".in-use", self.roll_name, passing=True)
            if not (self.root / RECORD).exists():
                self.write(Record())  # first of all: by it the folder is known again as ours
            for folder in (self.root, self.positives, self.small, self.raw_positives):
                if folder != self.raw_positives:  # which is made when it is wanted
                    folder.mkdir(exist_ok=True)
                for left in folder.glob(".new-*"):  # of a run that was killed while writing
                    left.unlink(missing_ok=True)
        except (OSError, FactFileUnusable) as error:
            raise TetherError(
                f"The folder {printable(str(self.root))} cannot be used: {reason(error)}.",
                kept="The raw files are unchanged. Nothing was delivered.",
                todo="Check that its disk is attached and may be written to, or name another "
                "folder with --to.",
            ) from error
        try:
            yield
        finally:
            if lock is not None:
                lock.release()

    def jpeg(self, raw_name: str) -> Path:
        """Return where the JPEG of a raw file lies."""
        return self.positives / f"{Path(raw_name).stem}.jpg"

    def tiff(self, raw_name: str) -> Path:
        """Return where the TIFF of a raw file lies."""
        return self.positives / f"{Path(raw_name).stem}.tif"

    def thumbnail(self, raw_name: str) -> Path:
        """Return where the small picture of a raw file lies."""
        return self.small / f"{Path(raw_name).stem}.jpg"

    def raw_positive(self, raw_name: str, contrast: str = "") -> Path:
        """Return the place of a raw file's raw positive, under no name that a capture has.

        ``contrast`` is named where it is another than was chosen for the frame.
        """
        ending = f"_positive_{contrast}.dng" if contrast else "_positive.dng"
        return self.raw_positives / f"{Path(raw_name).stem}{ending}"

    def read(self) -> Record:
        """Return what is remembered; a record that cannot be read counts as none."""
        try:
            found = parsed_json((self.root / RECORD).read_text(encoding="utf-8"))
            if found["version"] != VERSION:
                return Record()
            return Record(
                samples=dict(found["samples"]),
                printed=dict(found["printed"]),
                choices={int(frame): Choice(**c) for frame, c in found["choices"].items()},
                raw_positives=dict(found.get("raw_positives", {})),
            )
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return Record()

    def write(self, record: Record) -> None:
        """Store the record."""
        write_json(
            self.root / RECORD,
            {
                "version": VERSION,
                # In one order, whatever was done first: the same delivery is the same bytes.
                "samples": dict(sorted(record.samples.items())),
                "printed": dict(sorted(record.printed.items())),
                "raw_positives": dict(sorted(record.raw_positives.items())),
                "roll": self.roll_name,
                "choices": {str(f): asdict(c) for f, c in sorted(record.choices.items())},
            },
        )


@dataclass(frozen=True)
class DeliveryState:
    """A roll with everything that a delivery knows of it."""

    roll: Roll
    frames: Sequence[Frame]
    folder: DeliveredFolder
    files: Sequence[ChosenFile]
    record: Record

    @cached_property
    def _base_side(self) -> frozenset[int]:
        return base_side_takes(self.roll, self.frames)

    def mirrored(self, capture: Capture) -> bool:
        """Return whether a raw file is mirrored left to right, as emulsion toward the lens is."""
        return (capture.id in self._base_side) == self.choice(capture.frame).mirror

    def turn(self, capture: Capture) -> int:
        """Return the degrees clockwise by which a raw file is turned, after any mirroring.

        Film that is turned over end for end runs the other way.
        """
        film = self.film_turn if self.mirrored(capture) else -self.film_turn
        return (film + self.choice(capture.frame).turn) % 360

    def choice(self, frame: int) -> Choice:
        """Return what a person chose for a frame."""
        return self.record.choices.get(frame, Choice())

    @property
    def film_turn(self) -> int:
        """Degrees by which the film lies turned on the sensor.

        Formats longer across than along are photographed with the film running up and down the
        sensor.
        """
        form = self.roll.film_format
        return 90 if form.picture_across > form.picture_along else 0


def stored_sample(entry: Mapping[str, Any]) -> tuple[Sample, tuple[str, ...], ShotFacts]:
    """Return a sample with the file's channels and shot facts, from the record.

    Raises
    ------
    ValueError, TypeError, KeyError
        When the record was changed by hand.
    """
    stored = entry["sample"]

    def three(values: Any) -> tuple[float, float, float]:
        r, g, b = (float(v) for v in values)
        return (r, g, b)

    sample = Sample(
        light=float(stored["light"]),
        lightest=three(stored["lightest"]),
        neutral=three(stored["neutral"]),
        signals=tuple(three(s) for s in stored["signals"]),
        matrix=tuple(float(v) for v in stored["matrix"]),
    )
    return sample, tuple(map(str, entry["channels"])), ShotFacts(**entry["shot"])


def on_disk(path: Path) -> list[int]:
    """Return what tells that a file is still the one that was looked at: size and time."""
    state = path.stat()
    return [state.st_size, state.st_mtime_ns]
