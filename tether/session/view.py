"""What a screen shows of a session, as one value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.bench.benches import BenchQuestion
from tether.bench.light_warnings import LightWarning
from tether.camera.protocol import CameraState, Role
from tether.session.next_step import NextStep


@dataclass(frozen=True, slots=True)
class View:
    """Everything a screen needs, as one value.

    ``bench`` is there while it is asked about; ``remarks`` say what has changed about the light;
    with a ``strobe`` no shutter time is offered; ``can_undo`` says whether there is something to
    take back; ``camera_name`` is what the camera calls itself, also while it is not connected;
    ``set_up_done`` says whether only strips and frames are left.
    """

    roll: Roll
    frames: tuple[Frame, ...]
    place: NextStep
    camera: CameraState | None
    short: bool
    lock: bool
    bench: BenchQuestion | None = None
    remarks: tuple[LightWarning, ...] = ()
    strobe: bool = False
    can_undo: bool = False
    camera_name: str = ""
    set_up_done: bool = False

    @property
    def advised_shutter(self) -> str | None:
        """The shutter setting that is advised for the next take, None for none.

        By the picture that waits, or by the last one that was put aside.
        """
        capture = self.place.capture or put_aside(self.frames, self.place)
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


def put_aside(frames: Sequence[Frame], place: NextStep) -> Capture | None:
    """Return the last take of an open frame that is to be shot again, None for none."""
    frame = frames[place.frame - 1] if place.frame else None
    again = frame is not None and frame.state is FrameState.OPEN and place.capture is None
    return frame.captures[-1] if again and frame and frame.captures else None
