"""What a session gives to a screen."""

from __future__ import annotations

from dataclasses import dataclass

from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.bench.benches import BenchQuestion
from tether.bench.light_warnings import LightWarning
from tether.camera.protocol import CameraState, Role
from tether.session.judge import Judgement
from tether.session.next_step import NextStep


@dataclass(frozen=True, slots=True)
class View:
    """Everything a screen needs, as one value.

    ``bench`` is there while it is asked about; ``remarks`` say what has changed about the light;
    with a ``strobe`` no shutter time is offered; ``can_undo`` says whether there is something to
    take back; ``camera_name`` is what the camera calls itself, also while it is not connected.
    """

    roll: Roll
    frames: tuple[Frame, ...]
    place: NextStep
    camera: CameraState | None
    short: bool
    free_bytes: int
    bench: BenchQuestion | None = None
    remarks: tuple[LightWarning, ...] = ()
    strobe: bool = False
    can_undo: bool = False
    camera_name: str = ""

    @property
    def advised_shutter(self) -> str | None:
        """The shutter setting that the waiting picture's verdict advises, None for none."""
        capture = self.place.capture
        return capture.facts.advice_shutter if capture and not self.strobe else None

    @property
    def shutter_is_right(self) -> bool:
        """Whether the shutter stands as advised by now: it was set since the picture was taken."""
        stands = self.camera.value(Role.SHUTTER) if self.camera else None
        return stands is not None and stands == self.advised_shutter

    @property
    def done(self) -> int:
        """How many frames are decided."""
        return sum(f.state is not FrameState.OPEN for f in self.frames)


@dataclass(frozen=True, slots=True)
class Shot:
    """What came of a release: the captures with their judgements, and what there is to say."""

    captures: tuple[tuple[Capture, Judgement], ...]
    said: tuple[str, ...] = ()
