"""The simulated bench: lamp, film, lens and sensor, and the hand that moves the film."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tether_simulator.bench_config import BenchConfig
from tether_simulator.film.step_tablet import Patch
from tether_simulator.hand import GateState, Hand
from tether_simulator.imaging import jpeg, lamp
from tether_simulator.imaging.dng import RawFacts, write_dng
from tether_simulator.imaging.exposure import REFERENCE_SECONDS, CameraExposure
from tether_simulator.imaging.light_path import Imaging
from tether_simulator.imaging.sensor import read_out
from tether_simulator.imaging.view import FilmMap, GateView

__all__ = ["BenchConfig", "BenchPicture", "CopyStand"]

FloatArray = NDArray[np.float32]

_LIVE_WIDTH = 640
_JPEG_WIDTH = 1024
_LONGEST_LOOK = 0.08
"""Seconds."""


@dataclass(frozen=True, slots=True)
class BenchPicture:
    """What the camera makes of one exposure.

    Attributes
    ----------
    raw
        An uncompressed CFA DNG.
    thumbnail
        A JPEG of 160 x 120 pixels.
    jpeg
        The camera's own picture, about 1024 pixels wide or half the sensor's width.
    width, height
        Size of the raw mosaic.
    """

    raw: bytes
    thumbnail: bytes
    jpeg: bytes
    width: int
    height: int


class CopyStand:
    """A bench with a camera over a gate. Same configuration and same steps: same bytes.

    Calls may come from several threads; they are served in turn.

    Parameters
    ----------
    config
        What stands on it.
    shots
        How often the shutter has opened before: no two exposures have the same noise, also not
        those of two benches that work for one card one after the other.
    clock
        Seconds that only go forward, for film that takes its time to move.
    """

    def __init__(
        self, config: BenchConfig, shots: int = 0, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.config = config
        self._clock = clock
        self._looked = clock()
        self._film_seconds = 0.0
        self.hand = Hand(config.frames, config.frames_per_strip, lambda: self._film_seconds)
        self._imaging = Imaging(config)
        self._shots = shots
        self._live = np.random.default_rng((config.seed, 5))
        self._turn = threading.Lock()

    @property
    def view(self) -> GateView:
        """How the gate lies on the sensor."""
        return self._imaging.view

    @property
    def magnification(self) -> float:
        """Size on the sensor over size on the film."""
        return self._imaging.magnification

    @property
    def shots(self) -> int:
        """How often the shutter has opened."""
        return self._shots

    def mosaic(self, exposure: CameraExposure) -> NDArray[np.uint16]:
        """Open the shutter once and return the raw values, without a file around them."""
        with self._turn:
            return self._mosaic(exposure, self.hand.state)

    def expose(self, exposure: CameraExposure) -> BenchPicture:
        """Open the shutter once and return the files of that exposure."""
        sensor = self.config.sensor
        with self._turn:
            counted = self.config.started + timedelta(seconds=10 * self._shots)
            raw = self._mosaic(exposure, self.hand.state)
        small = self._small(raw, (0, 0, sensor.width, sensor.height), _JPEG_WIDTH)
        linear = (small - sensor.black) / np.float32(sensor.saturation - sensor.black)
        neutral = self._neutral(exposure.white_balance, linear)
        facts = RawFacts(
            tile=sensor.tile,
            black=sensor.black,
            white=sensor.saturation if sensor.stated_white is None else sensor.stated_white,
            response=sensor.response,
            neutral=neutral,
            seconds=exposure.seconds,
            f_number=exposure.f_number,
            iso=exposure.iso,
            taken=exposure.taken or counted,
        )
        picture = jpeg.render(linear, neutral)
        return BenchPicture(
            raw=write_dng(raw, facts),
            thumbnail=jpeg.thumbnail(picture),
            jpeg=jpeg.encode(picture),
            width=sensor.width,
            height=sensor.height,
        )

    def live_view(
        self,
        exposure: CameraExposure,
        *,
        zoom: float = 1,
        centre: tuple[float, float] = (0.5, 0.5),
    ) -> bytes:
        """Return a JPEG 640 pixels wide of what the sensor sees now, as bright as it would expose.

        ``zoom`` is at least 1; ``centre`` is the middle of the magnified part as a share of
        width and height, and is kept inside the picture.
        """
        sensor = self.config.sensor
        zoom = min(max(1.0, zoom), sensor.width / 32)
        width, height = round(sensor.width / zoom), round(sensor.height / zoom)
        left = round(min(max(centre[0] * sensor.width - width / 2, 0), sensor.width - width))
        top = round(min(max(centre[1] * sensor.height - height / 2, 0), sensor.height - height))
        with self._turn:
            self._let_film_move()
            state = self.hand.state
            if state.moving and state.film and self.config.target == "pictures":
                seen = self._imaging.passing(state, exposure.f_number, _LIVE_WIDTH)
            else:
                light = self._imaging.electrons(state, exposure.f_number)
                seen = self._small(light, (left, top, width, height), _LIVE_WIDTH)
            noise = self._live.standard_normal(seen.shape, np.float32)
        seen *= np.float32(exposure.light)
        seen += noise * np.sqrt(seen + np.float32(sensor.read_noise**2))
        linear = seen * np.float32(exposure.gain / sensor.full_well)
        image = jpeg.render(linear, self._neutral(exposure.white_balance, linear))
        size = (_LIVE_WIDTH, round(_LIVE_WIDTH * sensor.height / sensor.width))
        return jpeg.encode(image.resize(size, Image.Resampling.BILINEAR), 80)

    def _let_film_move(self) -> None:
        """Let the film's time go on, by no more than `_LONGEST_LOOK` from one picture to the next.

        A picture may take longer to draw than a camera takes to send one, and no hand would wait.
        """
        now = self._clock()
        self._film_seconds += min(now - self._looked, _LONGEST_LOOK)
        self._looked = now

    def film_map(self) -> FilmMap:
        """Where places of the film lie on the sensor with the film as it lies now."""
        return self._imaging.film_map(self.hand.state)

    def patch_boxes(self) -> tuple[tuple[Patch, tuple[int, int, int, int]], ...]:
        """Each patch of the step tablet with its box (x0, y0, x1, y1) in photosites, as it lies."""
        film_map = self.film_map()
        boxes = []
        for patch in self._imaging.tablet.patches:
            u0, v0, u1, v1 = patch.box
            (xa, ya), (xb, yb) = film_map.to_sensor(u0, v0), film_map.to_sensor(u1, v1)
            box = (min(xa, xb), min(ya, yb), max(xa, xb), max(ya, yb))
            boxes.append((patch, (round(box[0]), round(box[1]), round(box[2]), round(box[3]))))
        return tuple(boxes)

    def _mosaic(self, exposure: CameraExposure, state: GateState) -> NDArray[np.uint16]:
        sensor = self.config.sensor
        rng = np.random.default_rng((self.config.seed, 2, self._shots))
        self._shots += 1
        shine = self._imaging.lamp(state)
        lit = replace(exposure, seconds=REFERENCE_SECONDS) if shine.strobe else exposure
        rows = lamp.flicker_rows(
            shine,
            sensor.height,
            exposure.seconds,
            sensor.readout_seconds,
            float(rng.random()),
        )
        light = self._imaging.electrons(state, exposure.f_number)
        light = light * (rows * np.float32(lit.light))[:, None]
        return read_out(light, sensor, exposure.gain, exposure.seconds, rng)

    def _small(
        self,
        mosaic: NDArray[np.uint16] | FloatArray,
        box: tuple[int, int, int, int],
        across: int,
    ) -> FloatArray:
        return jpeg.bin_tiles(jpeg.strided_tiles(mosaic, box, across), self.config.sensor.tile)

    def _neutral(self, white_balance: str, linear: FloatArray) -> tuple[float, float, float]:
        """What the file calls neutral: raw red, green and blue of a grey, the greatest 1."""
        name = white_balance.casefold()
        kelvin = 3200.0 if name.startswith(("tungsten", "incandescent")) else 5000.0
        response = self.config.sensor.response
        values = [r * b for r, b in zip(response, lamp.balance(kelvin), strict=True)]
        if name.startswith("auto"):
            values = [float(mean) for mean in np.clip(linear, 1e-4, 1).mean(axis=(0, 1))]
        r, g, b = (max(value / max(values), 1e-3) for value in values)
        return (r, g, b)
