"""How light from the lamp, through film and lens, falls on each photosite."""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tether.film import FilmProcess
from tether_simulator.bench_config import BenchConfig
from tether_simulator.film import scenes
from tether_simulator.film.curve import FILMS, selwyn_sigma
from tether_simulator.film.step_tablet import StepTablet
from tether_simulator.film.strip import FilmStrip, StripConfig, Window
from tether_simulator.hand import GateState
from tether_simulator.imaging import lamp, optics
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.optics import OpticsConfig
from tether_simulator.imaging.view import FilmMap, GateView

FloatArray = NDArray[np.float32]

#: Scenes are kept up to three, and fewer of a large sensor: so many photosites together.
_KEPT_SCENES = 3
_KEPT_SITES = 120e6
#: The film is drawn with at most so many pixels along the view, then enlarged.
_MOST_DRAWN = 3000
#: What a mishap that grows adds with every move of the film.
_FADES_EV = 0.05
_YELLOWS_KELVIN = 150.0


class Imaging:
    """The bench without its camera: what the gate holds, as light on the sensor.

    Parameters
    ----------
    config
        What stands on the bench.
    """

    def __init__(self, config: BenchConfig) -> None:
        self._config = config
        self.view = GateView.fit(
            config.sensor.width, config.sensor.height, config.film_format, config.framing
        )
        self.tablet = StepTablet(config.film_format)
        self._film = FILMS[config.process]
        self._strip = FilmStrip(
            StripConfig(
                self._film,
                config.film_format,
                config.frames,
                config.frames_per_strip,
                config.seed,
                config.edge_print,
                *config.edge_numbers,
            ),
            self._paint,
        )
        self._scenes: OrderedDict[tuple[GateState, float], FloatArray] = OrderedDict()
        self._passing_strip = FilmStrip(self._strip.config, self._paint_small)
        self._strip_drawn: tuple[tuple[object, ...], FloatArray] | None = None
        self._light: tuple[tuple[object, ...], FloatArray] | None = None

    @property
    def magnification(self) -> float:
        """Size on the sensor over size on the film."""
        return self.view.scale * self._config.sensor.pitch_mm

    def electrons(self, state: GateState, f_number: float) -> FloatArray:
        """Mean photo-electrons at each photosite in 1/15 s with the light of f/8, no flicker.

        Falloff and blur are those of ``f_number``. Shape (height, width); kept for the next call.
        """
        key = (state, f_number)
        if key not in self._scenes:
            self._scenes[key] = self._expected(state, f_number)
            if len(self._scenes) > min(_KEPT_SCENES, _KEPT_SITES / self._scenes[key].size):
                self._scenes.popitem(last=False)
        self._scenes.move_to_end(key)
        return self._scenes[key]

    def passing(self, state: GateState, f_number: float, across: int) -> FloatArray:
        """As `electrons`, for film that moves, and small: red, green and blue, (h, across, 3).

        The strip is drawn once, as finely as it is shown, without grain or blur.
        """
        view, sensor = self.view, self._config.sensor
        shrink = across / view.width
        size = (across, round(view.height * shrink))
        scale = view.scale * shrink
        strip, middle = self._drawn_strip(state, scale)
        place = self.film_map(state)
        along = (state.position - middle) * self._config.film_format.pitch
        affine = (
            *(scale / shrink * value for value in place.along[:2]),
            scale * (place.along[2] + along) + strip.shape[2] / 2,
            *(scale / shrink * value for value in place.across[:2]),
            scale * place.across[2] + strip.shape[1] / 2,
        )
        shine = self.lamp(state)
        even = self._even(shine, self._lens(state), f_number)
        even = np.asarray(Image.fromarray(even).resize(size, Image.Resampling.BOX))
        balance = lamp.balance(shine.kelvin)
        unit = self._config.open_gate * sensor.full_well * shine.strength
        planes = [
            np.asarray(
                Image.fromarray(strip[channel]).transform(
                    size, Image.Transform.AFFINE, affine, Image.Resampling.BILINEAR, fillcolor=1
                )
            )
            * even
            * np.float32(unit * sensor.response[channel] * balance[channel])
            for channel in (0, 1, 2)
        ]
        return np.stack(planes, axis=2)

    def _drawn_strip(self, state: GateState, scale: float) -> tuple[FloatArray, float]:
        """The piece of film between two frames, (3, h, w), and its middle as a position; kept."""
        form = self._config.film_format
        middle = math.floor(state.position) + 0.5
        faults = state.frame_faults | frozenset(self._config.frame_faults)
        key = (middle, faults, scale)
        if self._strip_drawn is None or self._strip_drawn[0] != key:
            length = form.pitch + 2 * max(self.view.width, self.view.height) / self.view.scale
            window = Window(
                round(length * scale), round((form.film_width + 4) * scale), scale, middle
            )
            film = self._passing_strip.transmittance(window, faults)
            self._strip_drawn = (key, film)
        return self._strip_drawn[1], middle

    def _paint_small(self, frame: int, width: int, height: int) -> FloatArray:
        """The picture that a still shows, made small: drawn small it would be another one."""
        form = self._config.film_format
        still = GateState(True, frame, 0, True, frozenset(), frozenset())
        scale = self._drawn_scale(self.film_map(still))
        size = (round(form.picture_along * scale), round(form.picture_across * scale))
        small = [
            np.asarray(Image.fromarray(plane).resize((width, height), Image.Resampling.BOX))
            for plane in self._strip.picture(frame, *size)
        ]
        return np.stack(small)

    def _drawn_scale(self, place: FilmMap) -> float:
        """Pixels per millimetre at which film is drawn for a still."""
        half_u, half_v = self.view.reach(place)
        return min(self.view.scale, _MOST_DRAWN / (2 * max(half_u, half_v)))

    def film_map(self, state: GateState) -> FilmMap:
        """Where the film lies: a careful hand's small errors, and its mishaps."""
        config = self._config
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

    def lamp(self, state: GateState) -> LampConfig:
        """The lamp as it shines now."""
        config = self._config.lamp
        if "lamp-flicker" in state.mishaps:
            config = replace(config, flicker=max(config.flicker, 0.15))
        if "lamp-dim" in state.mishaps:
            config = replace(config, strength=config.strength * 2**-1.5)
        if "lamp-bright" in state.mishaps:
            config = replace(config, strength=config.strength * 2**1.5)
        if "lamp-uneven" in state.mishaps:
            config = replace(config, gradient_x=config.gradient_x + 0.2)
        creep = dict(state.creep)
        config = replace(
            config,
            strength=config.strength
            * 2 ** (state.power_ev - _FADES_EV * creep.get("lamp-fades", 0)),
            kelvin=max(2000.0, config.kelvin - _YELLOWS_KELVIN * creep.get("lamp-yellows", 0)),
        )
        return config if state.lamp else replace(config, strength=0.0)

    def _lens(self, state: GateState) -> OpticsConfig:
        """The lens and its focus as they stand now."""
        config = self._config.optics
        config = replace(config, defocus_mm=config.defocus_mm + state.ring_mm)
        # Discs of about 0.4 mm on a sensor of 36 mm at f/8: plainly soft at any resolution.
        if "out-of-focus" in state.mishaps:
            config = replace(config, defocus_mm=config.defocus_mm + 7.0)
        if "one-side-soft" in state.mishaps:
            # Focused on the left edge of the picture, 8 mm off at the right one.
            config = replace(
                config, defocus_mm=config.defocus_mm + 4.0, tilt_mm=config.tilt_mm + 4.0
            )
        if "dust-on-lens" in state.mishaps:
            config = replace(config, lens_dust=config.lens_dust + 7)
        return config

    def _paint(self, frame: int, width: int, height: int) -> FloatArray:
        colour = self._config.process is not FilmProcess.BW_NEGATIVE
        return scenes.paint(frame, self._config.seed, width, height, colour)

    def _expected(self, state: GateState, f_number: float) -> FloatArray:
        config, sensor = self._config, self._config.sensor
        shine, lens = self.lamp(state), self._lens(state)
        unit = config.open_gate * sensor.full_well
        balance = lamp.balance(shine.kelvin)
        if state.film:
            out = self._through_film(state, lens, f_number)
        else:
            out = np.ones((sensor.height, sensor.width), np.float32)
        for (row, column), channel in sensor.sites:
            level = unit * shine.strength * sensor.response[channel] * balance[channel]
            out[row::2, column::2] *= np.float32(level)
        out *= self._even(shine, lens, f_number)
        if lens.veiling_glare:
            out += out.mean() * np.float32(lens.veiling_glare)
        if "room-light" in state.mishaps:
            out += self._room(unit)
        return out

    def _even(self, shine: LampConfig, lens: OpticsConfig, f_number: float) -> FloatArray:
        """Light of the open gate over the sensor, 1 in the middle; the gate's mask is in it."""
        key = (shine.gradient_x, shine.gradient_y, shine.hot_spot, lens, f_number)
        if self._light is not None and self._light[0] == key:
            return self._light[1]
        view, pitch = self.view, self._config.sensor.pitch_mm
        x, y = view.coordinates()
        half = (view.width / 2 * pitch, view.height / 2 * pitch)
        plane = optics.falloff(lens, f_number, self.magnification, half, (x, y))
        plane *= lamp.evenness(shine, x, y)
        if lens.lens_dust:
            rng = np.random.default_rng((self._config.seed, 6))
            plane *= optics.dust_plane(lens.lens_dust, view.width, view.height, rng)
        plane *= view.gate_mask()
        self._light = (key, plane)
        return plane

    def _room(self, unit: float) -> FloatArray:
        """Light from the room: it comes off the film and the mask, from one side, and is warm."""
        sensor = self._config.sensor
        x, y = self.view.coordinates()
        plane = (1.0 + 0.4 * x - 0.2 * y).astype(np.float32)
        warm = lamp.balance(3000.0)
        for (row, column), channel in sensor.sites:
            level = unit * self._config.room_light * sensor.response[channel] * warm[channel]
            plane[row::2, column::2] *= np.float32(level)
        return plane

    def _through_film(self, state: GateState, lens: OpticsConfig, f_number: float) -> FloatArray:
        """Transmittance of what lies in the gate at each photosite, for that site's colour."""
        config, view, sensor = self._config, self.view, self._config.sensor
        place = self.film_map(state)
        half_u, half_v = view.reach(place)
        drawn = self._drawn_scale(place)
        window = Window(
            width=round(2 * half_u * drawn),
            height=round(2 * half_v * drawn),
            scale=drawn,
            position=state.position,
        )
        if config.target == "step-tablet":
            film = self.tablet.transmittance(window)
            granularity, support = 0.0, (0.0, 0.0, 0.0)
        else:
            faults = state.frame_faults | frozenset(config.frame_faults)
            film = self._strip.transmittance(window, faults)
            granularity, support = self._film.granularity, self._film.support
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
        speckle = self._speckle(state, granularity)
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
                plane = _grainy(plane, support[channel], speckle)
            plane = optics.blur(plane, sigma)
            for (row, column), of_site in sensor.sites:
                if of_site == channel:
                    out[row::2, column::2] = plane[row::2, column::2]
        return out

    def _speckle(self, state: GateState, granularity: float) -> FloatArray | None:
        """Grain of a density of 1 at each photosite; the same whenever the film lies the same."""
        if granularity == 0.0:
            return None
        askew = "tilted-strip" in state.mishaps
        place = (round(state.position * 2), round(state.shift_mm * 100), int(askew))
        rng = np.random.default_rng((self._config.seed, 4, *place))
        site_um = 1000 / self.view.scale
        noise = rng.standard_normal((self.view.height, self.view.width), np.float32)
        noise *= np.float32(selwyn_sigma(granularity, site_um**2))
        if "wrong-side" in state.mishaps:
            return noise[::-1] if self.view.turned else noise[:, ::-1]
        return noise


def _grainy(plane: FloatArray, support: float, speckle: FloatArray) -> FloatArray:
    """Let density above the support vary by ``speckle`` times its square root (Selwyn)."""
    density = np.maximum(plane, 1e-6)
    np.log(density, out=density)
    density *= np.float32(-1 / np.log(10))
    density -= np.float32(support)
    np.maximum(density, 0, out=density)
    np.sqrt(density, out=density)
    density *= speckle
    density *= np.float32(-np.log(10))
    np.exp(density, out=density)
    density *= plane
    return density
