"""The simulated bench: lamp, film, lens and sensor, and the hand that moves the film."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from mocks import jpeg, lamp, optics, scene, step_tablet
from mocks.dng import RawFacts, write_dng
from mocks.exposure import Exposure
from mocks.film_curve import FILMS, selwyn_sigma
from mocks.film_strip import FilmStrip, StripConfig, Window
from mocks.hand import GateState, Hand
from mocks.lamp import LampConfig
from mocks.optics import OpticsConfig
from mocks.sensor import SensorConfig, read_out
from mocks.view import FilmMap, View
from tether.film import FILM_FORMATS, FilmFormat, FilmProcess

FloatArray = NDArray[np.float32]

_KEPT_SCENES = 3
_LIVE_WIDTH = 640
_JPEG_WIDTH = 1024
#: The film is drawn with at most so many pixels along the view, then enlarged.
_MOST_DRAWN = 3000


@dataclass(frozen=True, slots=True)
class Shot:
    """What the camera makes of one exposure.

    Attributes
    ----------
    raw
        An uncompressed CFA DNG.
    thumbnail
        A JPEG of 160 x 120 pixels.
    jpeg
        The camera's own picture, at most 1024 pixels wide.
    width, height
        Size of the raw mosaic.
    """

    raw: bytes
    thumbnail: bytes
    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class BenchConfig:
    """What stands on the bench and which film lies beside it.

    Attributes
    ----------
    process, film_format, frames, frames_per_strip
        The film.
    seed
        Pictures, grain, dust, placement and noise all follow from it.
    sensor, lamp, optics
        See `mocks.sensor`, `mocks.lamp` and `mocks.optics`.
    framing
        "rebate", "wide" or "tight", see `mocks.view.View.fit`.
    edge_print
        Print bar codes and frame numbers on the rebate of 135 film.
    target
        "pictures", or "step-tablet": every frame carries `mocks.step_tablet.StepTablet`.
    frame_faults
        (frame, code) of pictures that went wrong in the camera, codes as in `mocks.hand.MISHAPS`.
    placement_mm, placement_degrees
        Largest error of a careful hand; each frame has its own within it.
    open_gate
        Signal of bare light in green at 1/15 s, f/8, ISO 100, relative to saturation.
    room_light
        Stray light from the room with the mishap "room-light", relative to ``open_gate``.
    started
        Clock of the camera at the first shot; the next follow ten seconds apart.
    """

    process: FilmProcess = FilmProcess.BW_NEGATIVE
    film_format: FilmFormat = field(default_factory=lambda: FILM_FORMATS["135"])
    frames: int = 36
    frames_per_strip: int = 6
    seed: int = 1
    sensor: SensorConfig = field(default_factory=SensorConfig)
    lamp: LampConfig = field(default_factory=LampConfig)
    optics: OpticsConfig = field(default_factory=OpticsConfig)
    framing: str = "rebate"
    edge_print: bool = False
    target: str = "pictures"
    frame_faults: tuple[tuple[int, str], ...] = ()
    placement_mm: float = 0.08
    placement_degrees: float = 0.1
    open_gate: float = 1.5
    room_light: float = 0.03
    started: datetime = datetime(2024, 5, 4, 10, 0, 0)


class Bench:
    """A bench with a camera over a gate. Same configuration and same steps: same bytes.

    Parameters
    ----------
    config
        What stands on it.
    """

    def __init__(self, config: BenchConfig) -> None:
        self.config = config
        self.hand = Hand(config.frames, config.frames_per_strip)
        self.view = View.fit(
            config.sensor.width, config.sensor.height, config.film_format, config.framing
        )
        self._film = FILMS[config.process]
        self._tablet = step_tablet.StepTablet(config.film_format)
        strip = StripConfig(
            self._film,
            config.film_format,
            config.frames,
            config.frames_per_strip,
            config.seed,
            config.edge_print,
        )
        self._strip = FilmStrip(strip, self._paint)
        self._scenes: OrderedDict[tuple[object, ...], FloatArray] = OrderedDict()
        self._light: OrderedDict[tuple[object, ...], FloatArray] = OrderedDict()
        self._shots = 0
        self._live = np.random.default_rng((config.seed, 5))

    @property
    def magnification(self) -> float:
        """Size on the sensor over size on the film."""
        return self.view.scale * self.config.sensor.pitch_mm

    def electrons(self, f_number: float) -> FloatArray:
        """Mean photo-electrons at each photosite in 1/15 s at ISO 100, without flicker.

        Stated for the aperture that is asked for, but with the light of f/8: only falloff and
        blur follow the aperture here. Shape (height, width).
        """
        state = self.hand.state
        key = (state, f_number)
        if key not in self._scenes:
            self._scenes[key] = self._expected(state, f_number)
            if len(self._scenes) > _KEPT_SCENES:
                self._scenes.popitem(last=False)
        self._scenes.move_to_end(key)
        return self._scenes[key]

    def mosaic(self, exposure: Exposure) -> NDArray[np.uint16]:
        """Expose once and return the raw values, without a file around them."""
        config = self.config
        rng = np.random.default_rng((config.seed, 2, self._shots))
        self._shots += 1
        rows = lamp.flicker_rows(
            self._lamp(self.hand.state),
            config.sensor.height,
            exposure.seconds,
            config.sensor.readout_seconds,
            float(rng.random()),
        )
        light = self.electrons(exposure.f_number) * (rows * np.float32(exposure.light))[:, None]
        return read_out(light, config.sensor, exposure.gain, exposure.seconds, rng)

    def expose(self, exposure: Exposure) -> Shot:
        """Open the shutter once and return the files of that exposure."""
        sensor = self.config.sensor
        taken = self.config.started + timedelta(seconds=10 * self._shots)
        raw = self.mosaic(exposure)
        small = self._small(raw, (0, 0, sensor.width, sensor.height), _JPEG_WIDTH)
        linear = (small - sensor.black) / np.float32(sensor.saturation - sensor.black)
        neutral = self._neutral(exposure.white_balance, linear)
        facts = RawFacts(
            tile=sensor.tile,
            black=sensor.black,
            white=sensor.stated_white or sensor.saturation,
            response=sensor.response,
            neutral=neutral,
            seconds=exposure.seconds,
            f_number=exposure.f_number,
            iso=exposure.iso,
            taken=taken,
        )
        picture = jpeg.render(linear, neutral)
        return Shot(
            raw=write_dng(raw, facts),
            thumbnail=jpeg.thumbnail(picture),
            jpeg=jpeg.encode(picture),
            width=sensor.width,
            height=sensor.height,
        )

    def live_view(
        self,
        exposure: Exposure,
        *,
        zoom: float = 1,
        centre: tuple[float, float] = (0.5, 0.5),
    ) -> bytes:
        """Return a JPEG 640 pixels wide of what the sensor sees now, as bright as it would expose.

        ``zoom`` is at least 1; ``centre`` is the middle of the magnified part as a share of
        width and height, and is kept inside the picture.
        """
        sensor = self.config.sensor
        zoom = max(1.0, zoom)
        width, height = round(sensor.width / zoom), round(sensor.height / zoom)
        left = round(min(max(centre[0] * sensor.width - width / 2, 0), sensor.width - width))
        top = round(min(max(centre[1] * sensor.height - height / 2, 0), sensor.height - height))
        seen = self._small(
            self.electrons(exposure.f_number), (left, top, width, height), _LIVE_WIDTH
        )
        seen = seen * np.float32(exposure.light)
        noise = self._live.standard_normal(seen.shape, np.float32)
        seen = seen + noise * np.sqrt(seen + np.float32(sensor.read_noise**2))
        linear = seen * np.float32(exposure.gain / sensor.full_well)
        image = jpeg.render(linear, self._neutral(exposure.white_balance, linear))
        size = (_LIVE_WIDTH, round(_LIVE_WIDTH * sensor.height / sensor.width))
        return jpeg.encode(image.resize(size, Image.Resampling.BILINEAR), 80)

    def film_map(self) -> FilmMap:
        """Where places of the film lie on the sensor with the film as it lies now."""
        return self._map(self.hand.state)

    def patch_boxes(self) -> tuple[tuple[step_tablet.Patch, tuple[int, int, int, int]], ...]:
        """Each patch of the step tablet with its box (x0, y0, x1, y1) in photosites, as it lies."""
        film_map = self.film_map()
        boxes = []
        for patch in self._tablet.patches:
            u0, v0, u1, v1 = patch.box
            xa, ya = film_map.to_sensor(u0, v0)
            xb, yb = film_map.to_sensor(u1, v1)
            boxes.append(
                (
                    patch,
                    (
                        round(min(xa, xb)),
                        round(min(ya, yb)),
                        round(max(xa, xb)),
                        round(max(ya, yb)),
                    ),
                )
            )
        return tuple(boxes)

    def _paint(self, frame: int, width: int, height: int) -> FloatArray:
        return scene.paint(frame, self.config.seed, width, height)

    def _small(
        self, mosaic: NDArray[np.generic], box: tuple[int, int, int, int], across: int
    ) -> FloatArray:
        part = jpeg.strided_tiles(mosaic, box, across)
        return jpeg.bin_tiles(part, self.config.sensor.tile)

    def _lamp(self, state: GateState) -> LampConfig:
        """The lamp as it shines now."""
        config = self.config.lamp
        if "lamp-flicker" in state.mishaps:
            config = replace(config, flicker=max(config.flicker, 0.15))
        if "lamp-dim" in state.mishaps:
            config = replace(config, strength=config.strength * 2**-1.5)
        if "lamp-bright" in state.mishaps:
            config = replace(config, strength=config.strength * 2**1.5)
        if "lamp-uneven" in state.mishaps:
            config = replace(config, gradient_x=config.gradient_x + 0.2)
        return config if state.lamp else replace(config, strength=0.0)

    def _lens(self, state: GateState) -> OpticsConfig:
        """The lens as it stands now."""
        config = self.config.optics
        # Blurs of about 4 photosites of the default sensor, and 6 at its edge.
        if "out-of-focus" in state.mishaps:
            config = replace(config, defocus_mm=config.defocus_mm + 7.0)
        if "one-side-soft" in state.mishaps:
            # The middle and the other side stay sharp enough: the plane was focused on the left.
            config = replace(
                config,
                defocus_mm=config.defocus_mm + 4.0,
                tilt_mm=config.tilt_mm + 4.0,
            )
        if "dust-on-lens" in state.mishaps:
            config = replace(config, lens_dust=config.lens_dust + 7)
        return config

    def _neutral(self, white_balance: str, linear: FloatArray) -> tuple[float, float, float]:
        """What the file calls neutral: raw red, green and blue of a grey, the greatest 1."""
        response = self.config.sensor.response
        kelvin = 3200.0 if white_balance.casefold().startswith(("tungsten", "incand")) else 5000.0
        values = [r * b for r, b in zip(response, lamp.balance(kelvin), strict=True)]
        if white_balance.casefold().startswith("auto"):
            means = np.clip(linear, 1e-4, 1).reshape(-1, 3).mean(axis=0)
            values = [float(mean) for mean in means]
        top = max(values)
        r, g, b = (max(value / top, 1e-3) for value in values)
        return (r, g, b)

    def _map(self, state: GateState) -> FilmMap:
        config = self.config
        rng = np.random.default_rng((config.seed, 3, round(state.position * 2)))
        along, across = rng.uniform(-1, 1, 2) * config.placement_mm
        degrees = float(rng.uniform(-1, 1)) * config.placement_degrees
        if "tilted-strip" in state.mishaps:
            degrees += 2.5
        return self.view.to_film(
            mirrored="wrong-side" not in state.mishaps,
            degrees=degrees,
            along=float(along) + state.shift_mm,
            across=float(across),
        )

    def _expected(self, state: GateState, f_number: float) -> FloatArray:
        """Mean electrons of each photosite; see `electrons`."""
        config, sensor = self.config, self.config.sensor
        shine, lens = self._lamp(state), self._lens(state)
        unit = config.open_gate * sensor.full_well
        colour = [r * b for r, b in zip(sensor.response, lamp.balance(shine.kelvin), strict=True)]
        out = np.empty((sensor.height, sensor.width), np.float32)
        passing = self._through_film(state, lens, f_number) if state.film else None
        for row in (0, 1):
            for column in (0, 1):
                channel = sensor.tile[row][column]
                sites = np.s_[row::2, column::2]
                level = np.float32(unit * shine.strength * colour[channel])
                out[sites] = level if passing is None else level * passing[sites]
        out *= self._even(shine, lens, f_number)
        if lens.veiling_glare:
            out += out.mean() * np.float32(lens.veiling_glare)
        if "room-light" in state.mishaps:
            out += self._room(unit)
        return out

    def _even(self, shine: LampConfig, lens: OpticsConfig, f_number: float) -> FloatArray:
        """Light of the open gate over the sensor, 1 in the middle; the gate's mask is in it."""
        key = (shine, lens, f_number)
        if key not in self._light:
            view = self.view
            x, y = view.coordinates()
            half = (
                view.width / 2 * self.config.sensor.pitch_mm,
                view.height / 2 * self.config.sensor.pitch_mm,
            )
            plane = optics.falloff(lens, f_number, self.magnification, half, x, y)
            plane = plane * lamp.evenness(shine, x, y)
            if lens.lens_dust:
                rng = np.random.default_rng((self.config.seed, 6))
                plane *= optics.dust_plane(lens.lens_dust, view.width, view.height, rng)
            self._light[key] = plane * view.gate_mask()
            if len(self._light) > 2:
                self._light.popitem(last=False)
        return self._light[key]

    def _room(self, unit: float) -> FloatArray:
        """Light from the room: it comes off the film and the mask, from one side, and is warm."""
        x, y = self.view.coordinates()
        plane = (1.0 + 0.4 * x - 0.2 * y).astype(np.float32)
        warm = lamp.balance(3000.0)
        for row in (0, 1):
            for column in (0, 1):
                channel = self.config.sensor.tile[row][column]
                level = self.config.sensor.response[channel] * warm[channel]
                plane[row::2, column::2] *= np.float32(unit * self.config.room_light * level)
        return plane

    def _through_film(self, state: GateState, lens: OpticsConfig, f_number: float) -> FloatArray:
        """Transmittance of what lies in the gate at each photosite, for that site's colour."""
        config, view, sensor = self.config, self.view, self.config.sensor
        reach = view.reach()
        drawn = min(view.scale, _MOST_DRAWN / (2 * max(reach)))
        slack = 4.0 + abs(state.shift_mm)
        window = Window(
            width=round(2 * (reach[0] + slack) * drawn),
            height=round(2 * (reach[1] + 1.0) * drawn),
            scale=drawn,
            position=state.position,
        )
        faults = state.frame_faults | frozenset(config.frame_faults)
        if config.target == "step-tablet":
            film = self._tablet.transmittance(window)
            grain, support = 0.0, (0.0, 0.0, 0.0)
        else:
            film = self._strip.transmittance(window, faults)
            grain, support = self._film.granularity, self._film.support
        place = self._map(state)
        affine = (
            *(drawn * value for value in place.along[:2]),
            drawn * place.along[2] + window.width / 2,
            *(drawn * value for value in place.across[:2]),
            drawn * place.across[2] + window.height / 2,
        )
        x, _ = view.coordinates()
        sigma = optics.blur_sigma(
            lens.defocus_mm + lens.tilt_mm * x[0], f_number, self.magnification, sensor.pitch_mm
        )
        speckle = self._speckle(state, grain)
        out = np.empty((sensor.height, sensor.width), np.float32)
        for channel in (0, 1, 2):
            plane = np.asarray(
                Image.fromarray(film[channel]).transform(
                    (sensor.width, sensor.height),
                    Image.Transform.AFFINE,
                    affine,
                    Image.Resampling.BILINEAR,
                ),
                np.float32,
            )
            if speckle is not None:
                density = -np.log10(np.maximum(plane, 1e-6))
                density -= np.float32(support[channel])
                grainy = np.sqrt(np.maximum(density, 0)) * speckle
                plane = plane * np.exp(grainy * np.float32(-2.302585))
            plane = optics.blur(plane, sigma)
            for row in (0, 1):
                for column in (0, 1):
                    if sensor.tile[row][column] == channel:
                        out[row::2, column::2] = plane[row::2, column::2]
        return out

    def _speckle(self, state: GateState, granularity: float) -> FloatArray | None:
        """Grain of a density of 1 at each photosite; the same whenever the film lies the same."""
        if granularity == 0.0:
            return None
        where = (round(state.position * 2), round(state.shift_mm * 100), *sorted(state.mishaps))
        words = [sum(map(ord, part)) if isinstance(part, str) else part for part in where]
        rng = np.random.default_rng((self.config.seed, 4, *words))
        site_um = 1000 / self.view.scale
        sigma = selwyn_sigma(granularity, site_um**2)
        noise = rng.standard_normal((self.view.height, self.view.width), np.float32)
        noise *= np.float32(sigma)
        return noise
