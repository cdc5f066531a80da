"""What later frames of a roll need of the earlier ones, small enough to store with each."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.facts import ExposureValues
from tether.measure.roll.drift import Rows, rows_of

VERSION = 3
MOST_FRAMES = 12
"""Frames that are remembered."""
MOST_PICTURES = 8
"""Of how many of them the small picture is kept."""
_NEARLY_ALL = 2 / 3
_ALL_BORDERS = 4
_SCALE_TOLERANCE = 0.05
"""Share by which gates of different cameras, and a picture's lines taken for its border, differ."""
MOST_BYTES = 1_000_000
"""Stored bytes beyond which a memory is not ours and is not read."""


@dataclass(frozen=True, slots=True)
class KnownBase:
    """The base per channel, relative to saturation, and the exposure that it was seen at.

    ``certain`` where it comes from the rebate; otherwise it is the lightest tone of pictures.
    """

    signal: dict[str, float]
    exposure: ExposureValues
    certain: bool = True


@dataclass(frozen=True, slots=True)
class OpenGate:
    """Light without film: relative to saturation per channel on a grid, and when it was taken.

    ``grid`` has the shape (channels, rows, columns) and covers the whole view; ``taken_at`` is
    an ISO 8601 time, "" where it is not known. ``uneven_percent`` is how much less light its
    darkest part has than its lightest, 0 where it is not known.
    """

    channels: tuple[str, ...]
    grid: NDArray[np.float32]
    exposure: ExposureValues
    taken_at: str
    uneven_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Trace:
    """What is remembered of one frame.

    ``frame`` is its number (-1 where it has none), ``sharpness`` and ``spots`` what
    `tether.measure.focus.sharpness` and `tether.measure.film.dust` found, ``picture`` what
    `tether.measure.film.same_picture` compares, ``scale`` photosites per millimetre (0 where not
    known),
    ``specks`` how many of them it had (`tether.measure.film.specks`; -1 where not known),
    ``border`` the light at the border of the view (`tether.measure.roll.room_light`),
    ``film`` and ``film_mm`` the film's numbers and the frame's place along them as its edge has
    them (`tether.measure.film.edge_code`; "" and 0 where not read).
    """

    frame: int
    sharpness: NDArray[np.float32] | None = None
    spots: NDArray[np.float32] | None = None
    picture: NDArray[np.int8] | None = None
    scale: float = 0.0
    film: str = ""
    film_mm: float = 0.0
    border: NDArray[np.float32] | None = None
    specks: int = -1


@dataclass(frozen=True, slots=True)
class RollMemory:
    """What earlier frames of a roll leave to the later ones; nothing in it is needed.

    Attributes
    ----------
    frames
        Traces of the last frames that were kept, oldest first.
    base
        Base from the rebate of the last frame that showed it, or as far as pictures tell.
    open_gate
        The last picture of the open gate.
    saturation
        Raw level per channel at which the sensor was seen to stop below what its files state;
        empty where that was not seen.
    records
        How light and lens stood at each kept frame, a row each (`tether.measure.roll.drift`);
        None
        at the start.
    """

    frames: tuple[Trace, ...] = ()
    base: KnownBase | None = None
    open_gate: OpenGate | None = None
    saturation: tuple[float, ...] = ()
    records: Rows | None = None

    def before(self, frame: int | None) -> tuple[Trace, ...]:
        """Return the traces of other frames than this one, oldest first."""
        return tuple(t for t in self.frames if frame is None or t.frame != frame)

    @property
    def scale(self) -> float | None:
        """Photosites per millimetre as the last frames showed it; None before the second one.

        The median, so that one mistaken outline does not count.
        """
        known = [t.scale for t in self.frames if t.scale > 0]
        return float(np.median(known)) if len(known) >= 2 else None

    def contradicts(self, scale: float, borders: int) -> bool:
        """Whether an outline of fewer than four borders has another scale than the roll.

        One earlier frame is no proof of the roll's scale (`scale` waits for a second one), but
        enough to distrust three borders, which lines of the picture may pass for.
        """
        known = [t.scale for t in self.frames if t.scale > 0]
        if borders >= _ALL_BORDERS or not known:
            return False
        return abs(scale / float(np.median(known)) - 1) > _SCALE_TOLERANCE

    @property
    def shows_rebate(self) -> bool:
        """Whether nearly all of the last frames, at least three, showed their outline."""
        shown = [trace.scale > 0 for trace in self.frames]
        return sum(shown) >= max(3, _NEARLY_ALL * len(shown))

    def with_frame(self, trace: Trace, base: KnownBase | None) -> RollMemory:
        """Return the memory after one more frame; a trace of the same frame is replaced."""
        number = None if trace.frame < 0 else trace.frame
        kept = [*self.before(number), trace] if number is not None else [*self.frames, trace]
        kept = kept[-MOST_FRAMES:]
        slim = [
            t if i >= len(kept) - MOST_PICTURES else replace(t, picture=None)
            for i, t in enumerate(kept)
        ]
        return replace(self, frames=tuple(slim), base=base or self.base)

    def with_open_gate(self, gate: OpenGate) -> RollMemory:
        """Return the memory with a new picture of the open gate."""
        return replace(self, open_gate=gate)

    def to_bytes(self) -> bytes:
        """Return it as a NumPy archive without pickled objects (under 200 kB)."""
        arrays: dict[str, NDArray[Any]] = {}
        facts: dict[str, Any] = {
            "version": VERSION, "frames": [], "saturation": self.saturation,
        }  # fmt: skip
        for index, trace in enumerate(self.frames):
            facts["frames"].append({"frame": trace.frame, "scale": trace.scale})
            if trace.film:
                facts["frames"][-1] |= {"film": trace.film, "film_mm": trace.film_mm}
            if trace.specks >= 0:
                facts["frames"][-1]["specks"] = trace.specks
            for name in ("sharpness", "spots", "picture", "border"):
                value = getattr(trace, name)
                if value is not None:
                    arrays[f"{name}_{index}"] = value
        if self.records is not None:
            arrays["standings"] = self.records
        if self.base:
            facts["base"] = {
                "signal": self.base.signal,
                "exposure": self.base.exposure,
                "certain": self.base.certain,
            }
        if self.open_gate:
            gate = self.open_gate
            arrays["open_gate"] = gate.grid.astype(np.float32)
            facts["open_gate"] = {
                "channels": gate.channels,
                "exposure": gate.exposure,
                "taken_at": gate.taken_at,
                "uneven_percent": gate.uneven_percent,
            }
        text = np.frombuffer(json.dumps(facts).encode(), np.uint8)
        out = io.BytesIO()
        np.savez_compressed(out, allow_pickle=False, facts=text, **arrays)
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> RollMemory:
        """Read what `to_bytes` wrote.

        Bytes of another version, damaged or foreign ones give an empty memory: the roll then
        starts to learn anew, which costs a few comparisons and no picture.
        """
        if not data or len(data) > MOST_BYTES:
            return cls()
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as archive:
                if sum(info.file_size for info in archive.zip.infolist()) > 8 * MOST_BYTES:
                    return cls()
                return _read(dict(archive.items()))
        except Exception:  # whatever NumPy, zipfile and zlib raise over damaged bytes
            return cls()


def _read(arrays: dict[str, NDArray[Any]]) -> RollMemory:
    facts = json.loads(bytes(arrays["facts"]).decode())
    if facts["version"] != VERSION:
        return RollMemory()
    traces = []
    for index, item in enumerate(facts["frames"][:MOST_FRAMES]):
        traces.append(
            Trace(
                int(item["frame"]),
                _array(arrays, f"sharpness_{index}", np.float32, 1),
                _array(arrays, f"spots_{index}", np.float32, 2),
                _array(arrays, f"picture_{index}", np.int8, 2),
                _number(item["scale"]),
                *_film_place(item),
                _array(arrays, f"border_{index}", np.float32, 2),
                int(item.get("specks", -1)),
            )
        )
    base = gate = None
    if "base" in facts:
        signal = {str(name): _number(v) for name, v in facts["base"]["signal"].items()}
        base = KnownBase(
            signal, _exposure(facts["base"]["exposure"]), bool(facts["base"]["certain"])
        )
    if "open_gate" in facts:
        stored = facts["open_gate"]
        grid = _array(arrays, "open_gate", np.float32, 3)
        channels = tuple(str(c) for c in stored["channels"])
        if grid is not None and grid.shape[0] == len(channels):
            # An older program did not store how uneven it is.
            uneven = _number(stored.get("uneven_percent", 0.0))
            exposure, at = _exposure(stored["exposure"]), str(stored["taken_at"])[:40]
            gate = OpenGate(channels, grid, exposure, at, uneven)
    saturation = tuple(_number(level) for level in facts["saturation"][:16])
    return RollMemory(tuple(traces), base, gate, saturation, rows_of(arrays.get("standings")))


def _array(
    arrays: dict[str, NDArray[Any]], name: str, kind: type, dimensions: int
) -> NDArray[Any] | None:
    value = arrays.get(name)
    if value is None or value.ndim != dimensions or value.dtype != kind or value.size > 2_000_000:
        return None
    return value


def _number(value: object) -> float:
    number = float(value)  # type: ignore[arg-type]
    if not np.isfinite(number) or number < 0:
        raise ValueError("not a number that was measured")
    return number


def _film_place(item: dict[str, Any]) -> tuple[str, float]:
    """Return the film's numbers and a place along them, "" and 0 where none stand there."""
    film, mm = item.get("film", ""), float(item.get("film_mm", 0.0))
    if not re.fullmatch(r"\d{1,3}-\d{1,2}", film) or not abs(mm) < 1e5:
        return "", 0.0
    return film, mm


def _exposure(values: Any) -> ExposureValues:
    seconds, iso, f_number = (None if v is None else _number(v) for v in values)
    return (seconds, iso, f_number)
