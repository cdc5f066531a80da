"""Parts of a take as a positive, made in a worker process as they come into view."""

from __future__ import annotations

import io
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from tether.bench.light_record import KeptGate
from tether.errors import TetherError
from tether.facts import Corners
from tether.film import FilmProcess
from tether.settings import PositiveSettings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tether.positive.rendering import Brief, Rendering
    from tether.raw import Mosaic

TILE = 512
"""Pixels along a side of a part."""
LARGEST_STEP = 64

_OPEN_FILES = 3
"""Raw files held open: two that are compared, and the newest."""
_BRIEFS = 200
"""Takes that a roll's common look is worked out from, the newest ones."""
_QUALITY = 88
_SMALL = 320
"""Pixels along the longer side of a small picture."""
_NOISE = 2.0**-9
"""Signal below which a photosite counts as lost in the sensor's noise, relative to saturation
(common practice for sensors of ten to twelve stops, no published source)."""
_FULL = 0.995
_STRIPE = 4
"""Pixels of a stripe over what is clipped (orange and black) or lost in noise (blue and white)."""

_STRIPES = {"clipped": ((255, 130, 0), (0, 0, 0)), "noise": ((40, 120, 255), (255, 255, 255))}

LOOKS = ("normal", "soft", "hard", "negative")
"""How a take can be shown: a contrast of its positive, or as the sensor saw it."""


class Take(NamedTuple):
    """What a take is shown by; ``gate`` is the open gate that was in force."""

    path: Path
    process: FilmProcess
    strobe: bool
    outline: Corners | None
    gate: KeptGate | None
    settings: PositiveSettings


class Size(NamedTuple):
    """Width and height of a take in photosites."""

    width: int
    height: int


@dataclass(slots=True)
class _Opened:
    """A raw file that is held open, with its look in each contrast that was asked for."""

    mosaic: Mosaic
    brief: Brief
    looks: dict[str, Rendering] = field(default_factory=dict)


class PictureWorker:
    """Lives in the worker process. All methods raise `RawUnreadable` for what is no raw file."""

    def __init__(self) -> None:
        self._opened: OrderedDict[Path, _Opened] = OrderedDict()
        self._briefs: OrderedDict[Path, Brief] = OrderedDict()

    def size(self, take: Take) -> Size:
        """Open a take."""
        height, width = self._open(take).mosaic.shape
        return Size(width, height)

    def tile(self, take: Take, look: str, step: int, column: int, row: int) -> bytes:
        """Return a part as JPEG, as the raw file lies: neither mirrored nor turned.

        Parameters
        ----------
        take, look
            What is shown, and as which of `LOOKS`.
        step
            Photosites along a pixel: 1, 2, 4 ... `LARGEST_STEP`.
        column, row
            Which part, counted from 0 in steps of `TILE` pixels.
        """
        from tether.positive.files import eight_bit

        opened = self._open(take)
        part = _part(opened.mosaic, step, column, row)
        if look == "negative":
            return _jpeg(_as_sensed(opened.mosaic, step, part))
        from tether.positive.flat_field import from_grid
        from tether.positive.linear import stepped, tile_weights
        from tether.positive.printing import is_grey, print_frame

        rendering = self._rendering(take, opened, look)
        flat = None
        if take.gate is not None:
            import numpy as np

            flat = from_grid(take.gate.channels, np.array(take.gate.grid, np.float32))
        linear = stepped(opened.mosaic, step, grey=is_grey(rendering))
        weights = tile_weights(opened.mosaic)
        return _jpeg(eight_bit(print_frame(linear, rendering, weights, flat, part)))

    def small(self, take: Take) -> bytes:
        """Return the whole take as a small JPEG, the right way round; the file is not held open."""
        from PIL import Image, ImageOps

        held = take.path in self._opened
        try:
            mosaic = self._open(take).mosaic
            step = 1
            while max(mosaic.shape) // step > TILE:
                step *= 2
            picture = Image.open(io.BytesIO(self.tile(take, LOOKS[0], step, 0, 0)))
            picture.thumbnail((_SMALL, _SMALL))
            data = io.BytesIO()
            ImageOps.mirror(picture).save(data, "JPEG", quality=_QUALITY)
            return data.getvalue()
        finally:
            if not held:
                self._opened.pop(take.path, None)

    def marks(self, take: Take, step: int, column: int, row: int) -> bytes:
        """Return as PNG, see-through elsewhere, where a part is clipped or lost in noise."""
        import numpy as np
        from PIL import Image

        from tether.positive.linear import stepped

        mosaic = self._open(take).mosaic
        rows, columns = _part(mosaic, step, column, row)
        fine = stepped(mosaic, min(step, max(2, step // 2)), grey=False)
        more = step // fine.step
        signal = fine.band(
            slice(rows.start * more, rows.stop * more),
            slice(columns.start * more, columns.stop * more),
        )
        if len(signal) == 1:
            signal *= np.float32(0.25)
        lowest, highest = signal.min(axis=0), signal.max(axis=0)
        shape = (rows.stop - rows.start, more, columns.stop - columns.start, more)
        clipped = (highest >= _FULL).reshape(shape).any(axis=(1, 3))
        lost = (lowest < _NOISE).reshape(shape).mean(axis=(1, 3)) > 0.5
        out = np.zeros((*clipped.shape, 4), np.uint8)
        y, x = np.indices(clipped.shape)
        stripe = (x + y) // _STRIPE % 2
        for where, name in ((lost, "noise"), (clipped, "clipped")):
            out[where, :3] = np.asarray(_STRIPES[name], np.uint8)[stripe[where]]
            out[where, 3] = 255
        data = io.BytesIO()
        Image.fromarray(out, "RGBA").save(data, "PNG", compress_level=1)
        return data.getvalue()

    def _open(self, take: Take) -> _Opened:
        from tether.measure.levels import with_observed_saturation
        from tether.positive.rendering import Brief
        from tether.positive.sample import take_sample
        from tether.raw import open_mosaic

        opened = self._opened.get(take.path)
        if opened is None:
            mosaic = with_observed_saturation(open_mosaic(take.path))
            sample = take_sample(mosaic, take.process, take.outline, strobe=take.strobe)
            opened = _Opened(mosaic, Brief(take.path.name, sample, strobe=take.strobe))
            self._opened[take.path] = opened
            self._briefs[take.path] = opened.brief
            while len(self._opened) > _OPEN_FILES:
                self._opened.popitem(last=False)
            while len(self._briefs) > _BRIEFS:
                self._briefs.popitem(last=False)
        self._opened.move_to_end(take.path)
        return opened

    def _rendering(self, take: Take, opened: _Opened, look: str) -> Rendering:
        """Return how a take is printed: by what is common to the takes that were opened so far."""
        from dataclasses import replace

        from tether.positive.rendering import roll_renderings

        if look not in opened.looks:
            briefs = [replace(brief, contrast=look) for brief in self._briefs.values()]
            every = roll_renderings(take.process, briefs, take.settings, half=False)
            opened.looks[look] = replace(every[opened.brief.name], turn=0, mirrored=False)
        return opened.looks[look]


def _part(mosaic: Mosaic, step: int, column: int, row: int) -> tuple[slice, slice]:
    height, width = (side // step for side in mosaic.shape)
    top, left = row * TILE, column * TILE
    if step > LARGEST_STEP or not (0 <= top < height and 0 <= left < width):
        raise TetherError("There is no such part of a take.")
    return slice(top, min(top + TILE, height)), slice(left, min(left + TILE, width))


def _as_sensed(mosaic: Mosaic, step: int, part: tuple[slice, slice]) -> NDArray[np.uint8]:
    """Return the raw negative: linear light with sRGB's curve, green and blue as they came."""
    import numpy as np

    from tether.positive.linear import stepped
    from tether.positive.tones import encoded

    linear = stepped(mosaic, step, grey=False)
    light = np.clip(linear.band(*part), 0, 1)
    if light.shape[0] == 1:
        light *= np.float32(0.25)
    table = np.round(255 * encoded(np.linspace(0, 1, 4096))).astype(np.uint8)
    shown = table[np.round(light * 4095).astype(np.uint16)]
    return np.moveaxis(shown, 0, -1) if shown.shape[0] == 3 else shown[0]


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(picture).save(data, "JPEG", quality=_QUALITY, subsampling=0)
    return data.getvalue()
