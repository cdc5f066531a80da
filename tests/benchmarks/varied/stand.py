"""The copy stand: film in a gate, lamp, lens and sensor, as one roll has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from tests.benchmarks.varied import marks
from tests.benchmarks.varied.camera import COLOUR_OF, Camera
from tests.benchmarks.varied.emulsion import Curves, Dyes, Grain, grain_at
from tests.benchmarks.varied.geometry import Homography, Lie, Setting, holes, places, window
from tests.benchmarks.varied.photographs import photograph, texture
from tests.benchmarks.varied.ranges import FRAME, ROLL, Draws, choose
from tether.film import FilmProcess
from tether.raw import Mosaic

Floats = NDArray[np.float32]

SECONDS = 1 / 15
_LINEAR = np.asarray(
    np.where(
        (np.arange(256) / 255) <= 0.04045,
        (np.arange(256) / 255) / 12.92,
        ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4,
    )
    + 2e-4,
    np.float32,
)
"""sRGB (IEC 61966-2-1), and a little light everywhere, as every camera's lens spreads it."""
_PRINT_EXPOSURE = 0.6


@dataclass(frozen=True, slots=True)
class Shot:
    """One shot: which frame lies where, and what is wrong with it.

    Attributes
    ----------
    frame, lie
        What lies in the gate, and how.
    disc_um
        Blur disc's radius that a wrong focus adds.
    soft_side
        (side, radius in um at its edge) of a camera that is not square.
    lamp_ev, room
        Stops of the lamp, and light of the room as a share of the open gate.
    spots
        What passes dust on the sensor, (height, width).
    blank
        Whether the frame was never exposed.
    specks, scratches
        More than usual of them.
    """

    frame: int
    lie: Lie = field(default_factory=Lie)
    disc_um: float = 0.0
    soft_side: tuple[str, float] = ("", 0.0)
    lamp_ev: float = 0.0
    room: float = 0.0
    spots: Floats | None = None
    blank: frozenset[int] = frozenset()
    specks: int = 0
    scratches: int = 0


class Stand:
    """What one roll is photographed with, all of it drawn from its seed.

    Parameters
    ----------
    seed
        Everything follows from it.
    pictures
        Photographs; none makes textures with their statistics.
    process, view
        Fixed where given, otherwise drawn (the process) and as `Setting` draws it.
    megapixels
        Size of the file; None draws it.
    """

    def __init__(
        self,
        seed: int,
        pictures: Sequence[Path] = (),
        process: FilmProcess | None = None,
        megapixels: float | None = None,
        tile: int = 1024,
    ) -> None:
        rng = np.random.default_rng((seed, 1))
        self.seed = seed
        self.draws = Draws.of(ROLL, rng)
        if megapixels:
            self.draws["megapixels"] = megapixels
        drawn = FilmProcess(choose("process", rng))
        self.process = process or drawn
        self.setting = Setting.of(self.process.value, self.draws, rng)
        self.lettered = choose("lettering", rng) == "yes" and not self.setting.mount
        self.light_test = choose("light-test", rng) == "yes"
        self.calibrated = choose("calibrated", rng) == "yes"
        silver = self.process is FilmProcess.BW_NEGATIVE
        self._dyes = Dyes.silver(rng) if silver else Dyes.of(rng)
        self._curves = Curves.of(self.process, self.draws, rng)
        self.grain = Grain(self.process, self.draws, self._dyes, rng, tile)
        self._tile = tile
        self._camera = Camera(self.shape, self.draws, seed, rng)
        self._words = marks.words(rng)
        self._pictures = [pictures[int(i)] for i in rng.permutation(len(pictures))]
        self._shine = self._light(rng)
        # Base, or a slide's clear film, to its level.
        through = self._dyes.white * 10.0**-self._curves.base
        self._exposure = float(2 ** self.draws["base_ev"] / through.max())

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in photosites."""
        return (self.setting.height, self.setting.width)

    def open_gate(self) -> Mosaic:
        """Photograph the light without film, a stop and a half below saturation."""
        out = np.empty(self.shape, np.float32)
        for site, channel in self._camera.sites:
            u, v = places(self.setting.to_gate(), site, self.shape)
            gate, beyond = self._gate(u, v)
            white = self._dyes.white[COLOUR_OF[channel]]
            out[site[0] :: 2, site[1] :: 2] = white * (gate + beyond)
        level = float(2**-1.5 / self._dyes.white.max())
        seconds = SECONDS / self._exposure * level
        return self._camera.read_out(out, level, self._shine, seconds)

    def photograph(self, shot: Shot) -> Mosaic:
        """Photograph a frame."""
        film = self.setting.to_film(shot.lie)
        frames = self._in_view(shot, film)
        canvases = {frame: self._canvas(frame, film, k) for frame, k in frames.items()}
        halo = self._halation(canvases, film, shot)
        print_ = self._print(film, frames) if self.lettered else None
        own = np.random.default_rng((self.seed, 6, shot.frame))
        specks = shot.specks or int(own.uniform(0, self.draws["specks"]))
        dust = marks.on_film(
            self.setting, specks, int(own.uniform(0, self.draws["fibres"] + 1)), own
        )
        lines = np.random.default_rng((self.seed, 8))
        scratched = shot.scratches or int(lines.uniform(0, self.draws["scratches"] + 1))
        if shot.scratches:
            lines = np.random.default_rng((self.seed, 9, shot.frame))
        scratches = marks.scratches(self.setting, film, scratched, lines)
        blur = self._blur(shot)
        place = np.random.default_rng((self.seed, 3, self._camera.shots))
        grain = self._grain(blur, place)
        out = np.empty(self.shape, np.float32)
        for site, channel in self._camera.sites:
            on_site = np.s_[site[0] :: 2, site[1] :: 2]
            through, density = self._film(
                film, site, COLOUR_OF[channel], (frames, canvases, halo, print_), shot
            )
            for mark in (dust, scratches):
                if mark is not None:
                    through *= mark[on_site]
            through = self._blurred(through, blur)
            noise = grain[COLOUR_OF[channel]][on_site]
            through *= np.exp(noise * grain_at(density) * np.float32(-np.log(10)))
            # A mount moves with its picture.
            frame = film if self.setting.mount else self.setting.to_gate()
            gate, beyond = self._gate(*places(frame, site, self.shape))
            through *= gate
            through += beyond
            out[on_site] = through * self._dyes.white[COLOUR_OF[channel]]
        if shot.spots is not None:
            out *= shot.spots
        out *= np.float32(2**shot.lamp_ev)
        out += np.float32(shot.room + self.draws["room"])
        return self._camera.read_out(out, self._exposure, self._shine, SECONDS)

    # --- film ----------------------------------------------------------------------------------

    def _in_view(self, shot: Shot, film: Homography) -> dict[int, float]:
        """Return the frames that can be seen, each with its middle's place along the film, mm."""
        height, width = self.shape
        ends = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]]) @ film.T
        along = ends[:, 0] / ends[:, 2]
        if self.setting.mount:
            return {shot.frame: 0.0}
        reach = self.setting.picture[0] / 2
        return {
            shot.frame + k: k * self.setting.form.pitch
            for k in range(-3, 4)
            if along.min() - reach < k * self.setting.form.pitch < along.max() + reach
            and shot.frame + k > 0
        }

    def _canvas(self, frame: int, film: Homography, middle: float) -> NDArray[np.uint8]:
        """Return a frame's photograph as it lies on the sensor, (height, width, 3)."""
        rng = np.random.default_rng((self.seed, 5, frame))
        if self._pictures:
            image = photograph(self._pictures[frame % len(self._pictures)])
        else:
            image = texture(self.seed * 100 + frame)
        own = Draws.of(FRAME, rng)
        wide, high = self.setting.picture
        upright = high > wide
        ratio = max(wide, high) / min(wide, high)
        across = min(image.width, image.height * ratio) * own["crop"]
        down = across / ratio
        left = rng.uniform(0, image.width - across)
        top = rng.uniform(0, image.height - down)
        flip = -1.0 if rng.random() < 0.5 else 1.0
        # Millimetres on the film to pixels of the photograph.
        to_image = np.array(
            [[flip * across / max(wide, high), 0, left + across / 2],
             [0, down / min(wide, high), top + down / 2], [0, 0, 1]]
        )  # fmt: skip
        if upright:
            to_image = to_image @ np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]])
        shift = np.array([[1, 0, -middle], [0, 1, 0], [0, 0, 1]])
        return _seen(image, to_image @ shift @ film, self.shape)

    def _light_of(self, frame: int) -> Floats:
        """Return the factor of each colour's light on a frame, (3,)."""
        rng = np.random.default_rng((self.seed, 5, frame))
        own = Draws.of(FRAME, rng)
        latitude = 1.0 if self.process.is_negative else 0.6
        cast = self.draws["cast"] * np.array([1.0, 0.0, -1.0])
        light = 2 ** (own["exposure_ev"] * latitude) * 10**cast
        return np.asarray(light, np.float32)

    def _exposed(self, canvas: NDArray[np.uint8], frame: int) -> list[Floats]:
        """Return each layer's exposure by a frame's picture, white of right exposure 1."""
        light = self._light_of(frame)
        parts = [_LINEAR.take(canvas[..., k]) * light[k] for k in range(3)]
        if self.process is FilmProcess.BW_NEGATIVE:
            return [0.25 * parts[0] + 0.65 * parts[1] + 0.1 * parts[2]]
        share = np.float32(self.draws["inter_layer"])
        return [
            parts[0] * (1 - share) + parts[1] * share,
            parts[1] * (1 - share) + (parts[0] + parts[2]) * (share / 2),
            parts[2] * (1 - share) + parts[1] * share,
        ]

    def _cover(self, u: Floats, v: Floats, middle: float) -> Floats:
        """Return the share of light that the taking camera's gate let through at a place."""
        soft = self.draws["cover_mm"] + 0.7 / self.setting.scale
        wide, high = self.setting.picture
        if self.setting.mount:  # more than the mount shows
            wide, high = wide + 1.7, high + 1.5
        return window(u - np.float32(middle), wide / 2, soft) * window(v, high / 2, soft)

    def _halation(
        self, canvases: dict[int, NDArray[np.uint8]], film: Homography, shot: Shot
    ) -> list[Floats] | None:
        """Return the light that each layer gets by scatter, at an eighth of the size."""
        small: list[Floats] | None = None
        u, v = places(film, (3, 3), self.shape)
        u, v = u[::4, ::4], v[::4, ::4]
        for frame, canvas in canvases.items():
            if frame in shot.blank:
                continue
            middle = (frame - shot.frame) * self.setting.form.pitch
            cover = self._cover(u, v, middle)
            seen = canvas[3::8, 3::8][: u.shape[0], : u.shape[1]]
            cover = cover[: seen.shape[0], : seen.shape[1]]
            layers = [part * cover for part in self._exposed(seen, frame)]
            small = layers if small is None else [a + b for a, b in zip(small, layers, strict=True)]
        if small is None:
            return None
        sigma = 0.25 * self.setting.scale / 8
        share = np.float32(self.draws["halation"])
        return [gaussian_filter(part, sigma) * share for part in small]

    def _print(self, film: Homography, frames: dict[int, float]) -> NDArray[np.uint8]:
        """Return the lettering on the film's edges, (height / 2, width / 2)."""
        form = self.setting.form
        shown = sorted(frames)
        pieces = [marks.lettering(form, frame, self._words) for frame in shown]
        each = pieces[0].width
        strip = Image.new("L", (each * len(pieces), pieces[0].height), 0)
        for index, piece in enumerate(pieces):
            strip.paste(piece, (index * each, 0))
        start = frames[shown[0]] - form.pitch / 2
        k = each / form.pitch
        to_strip = np.array([[k, 0, -start * k], [0, k, strip.height / 2], [0, 0, 1]])
        return _seen(strip, to_strip @ film @ np.diag([2.0, 2.0, 1.0]), self.shape, 2)

    def _film(
        self,
        film: Homography,
        site: tuple[int, int],
        channel: int,
        drawn: tuple[
            dict[int, float],
            dict[int, NDArray[np.uint8]],
            list[Floats] | None,
            NDArray[np.uint8] | None,
        ],
        shot: Shot,
    ) -> tuple[Floats, Floats]:
        """Return transmittance without grain, and density above the least, at one site's places."""
        frames, canvases, halo, print_ = drawn
        on_site = np.s_[site[0] :: 2, site[1] :: 2]
        u, v = places(film, site, self.shape)
        count = len(self._curves.tables)
        exposure = [np.zeros_like(u) for _ in range(count)]
        if halo is not None:
            size = (u.shape[1], u.shape[0])
            for j in range(count):
                grown = Image.fromarray(halo[j]).resize(size, Image.Resampling.BILINEAR)
                exposure[j] += np.asarray(grown)
        for frame, canvas in canvases.items():
            if frame in shot.blank:
                continue
            cover = self._cover(u, v, frames[frame])
            for j, part in enumerate(self._exposed(canvas[on_site], frame)):
                exposure[j] += part * cover
        if print_ is not None:
            letters = print_ * np.float32(_PRINT_EXPOSURE / 255)
            exposure = [plane + letters for plane in exposure]
        layers = [self._curves.density(j, plane) for j, plane in enumerate(exposure)]
        density = self._dyes.density(channel, layers)
        base = np.float32(self._curves.base[channel])
        through = np.exp((density + base) * np.float32(-np.log(10)))
        form, soft = self.setting.form, 1.0 / self.setting.scale
        if self.setting.mount:
            return through, density
        bare = np.float32(1.0 if self.setting.rail == "bare" else self.draws["mask"])
        if form.perforated:
            hole = holes(u, v, form, self.draws["perforation_mm"], soft)
            through += (1 - through) * hole
            density *= 1 - hole
        edge = window(v, form.film_width / 2, soft)
        through = through * edge + bare * (1 - edge)
        return np.asarray(through), np.asarray(density * edge)

    # --- light and lens ------------------------------------------------------------------------

    def _gate(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return the share of light that passes the gate, and the light that comes beyond it."""
        setting, d = self.setting, self.draws
        soft = d["gate_mm"] + 0.5 / setting.scale
        half = (setting.gate[0] / 2, setting.gate[1] / 2)
        if setting.mount:
            r = d["corner_mm"]
            qx, qy = np.abs(u) - (half[0] - r), np.abs(v) - (half[1] - r)
            outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0))
            inside = np.minimum(np.maximum(qx, qy), 0)
            gate = np.clip((r - outside - inside) / soft + 0.5, 0, 1).astype(np.float32)
        else:
            gate = window(u, half[0], soft) * window(v, half[1], soft)
        level = d["plastic"] if setting.mount == "plastic" else d["mask"]
        beyond = (1 - gate) * np.float32(level)
        if setting.around == "bright":  # the panel goes on beyond the holder
            rim = 1 - window(u, half[0] + 5.0, soft) * window(v, half[1] + 5.0, soft)
            beyond += rim
        return gate, np.asarray(beyond, np.float32)

    def _light(self, rng: np.random.Generator) -> Floats:
        """Return the light of lamp, lens and photosites over the sensor, (height, width)."""
        d, (height, width) = self.draws, self.shape
        y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
        x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
        corner = (x**2 + y**2) / 2
        shine = 1 + np.float32(d["lamp_x"] / 2) * x + np.float32(d["lamp_y"] / 2) * y
        cx, cy = rng.uniform(-0.4, 0.4, 2)
        shine += np.float32(d["lamp_spot"]) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) * 2)
        shine *= np.exp2(-np.float32(d["falloff"]) * corner**1.3)
        shine *= 1 + np.float32(d["prnu"]) * rng.standard_normal(self.shape, np.float32)
        shine *= marks.spots(self.shape, rng.uniform(0.005, 0.03), int(d["faint"]), rng)
        return np.asarray(shine, np.float32)

    def _blur(self, shot: Shot) -> Floats:
        """Return the radius of the blur disc over the sensor, um, at a sixteenth of its size."""
        d = self.draws
        h, w = -(-self.shape[0] // 16), -(-self.shape[1] // 16)
        y = np.linspace(-1, 1, h, dtype=np.float32)[:, None]
        x = np.linspace(-1, 1, w, dtype=np.float32)[None, :]
        corner = (x**2 + y**2) / 2
        across = x if self.setting.turned else y
        flat = d["focus_um"] - d["curvature_um"] * corner + d["curl_um"] * (across**2 - 0.3)
        side, most = shot.soft_side
        if side:
            ramp = {"left": -x, "right": x, "top": -y, "bottom": y}[side]
            flat = flat + most * (ramp + 1) / 2
        return np.asarray(np.abs(flat) + shot.disc_um + 0 * x * y, np.float32)

    def _levels(self, blur: Floats) -> list[float]:
        """Return the blur radii that are made; those between are mixed from two of them."""
        low, high = float(blur.min()), float(blur.max())
        step = max(1.5, 0.35 * self.draws["pitch_um"], (high - low) / 5)
        count = int(np.ceil((high - low) / step)) + 1
        return [low + (high - low) * k / max(1, count - 1) for k in range(count)]

    def _mixed(self, blur: Floats, planes: Sequence[Floats], size: tuple[int, int]) -> Floats:
        """Return planes of the blurs in `_levels` mixed by the blur of each place."""
        levels = self._levels(blur)
        if len(levels) == 1:
            return planes[0]
        at = np.interp(blur, levels, np.arange(len(levels))).astype(np.float32)
        at = np.asarray(Image.fromarray(at).resize(size[::-1], Image.Resampling.BILINEAR))
        out = np.zeros(size, np.float32)
        for k, plane in enumerate(planes):
            weight = np.clip(1 - np.abs(at - np.float32(k)), 0, 1)
            if weight.any():
                out += plane * weight
        return out

    def _grain(self, blur: Floats, rng: np.random.Generator) -> list[Floats]:
        """Return grain at a density of 1 as it lies on the sensor, a plane for each colour."""
        height, width = self.shape
        oy, ox = (int(v) for v in rng.integers(0, self._tile, 2))
        rows = (oy + np.arange(height)) % self._tile
        columns = (ox + np.arange(width)) % self._tile
        if rng.random() < 0.5:
            columns = columns[::-1]
        if rng.random() < 0.5:
            rows = rows[::-1]
        fields = [self.grain.fields(level) for level in self._levels(blur)]
        same = self.process is FilmProcess.BW_NEGATIVE
        planes: list[Floats] = []
        for k in range(3):
            if same and planes:
                planes.append(planes[0])
                continue
            pieces = [f[k].take(rows, axis=0).take(columns, axis=1) for f in fields]
            planes.append(self._mixed(blur, pieces, self.shape))
        return planes

    def _blurred(self, plane: Floats, blur: Floats) -> Floats:
        """Blur one site's plane as the lens does: discs as normal distributions of their width."""
        to_pixels = 1 / (2 * self.draws["pitch_um"])
        lens = 0.5 * self.draws["lens_um"]  # the photographs were sharp to a pixel at most
        sigmas = [np.hypot(level / 2, lens) * to_pixels for level in self._levels(blur)]
        if max(sigmas) < 0.3:
            return plane
        planes = [gaussian_filter(plane, s, truncate=3) if s > 0.25 else plane for s in sigmas]
        return self._mixed(blur, planes, (plane.shape[0], plane.shape[1]))


def _seen(
    image: Image.Image, matrix: Homography, shape: tuple[int, int], part: int = 1
) -> NDArray[np.uint8]:
    """Return a picture as the sensor sees it; ``matrix`` maps sensor places to its pixels."""
    size = np.array([shape[1] // part, shape[0] // part])
    # Only the box that the picture lies in is asked for.
    ends = np.array([[0, 0, 1], [image.width, 0, 1], [image.width, image.height, 1],
                     [0, image.height, 1]]) @ np.linalg.inv(matrix).T  # fmt: skip
    ends = ends[:, :2] / ends[:, 2:]
    left, top = np.clip(np.floor(ends.min(axis=0)), 0, size).astype(int)
    right, bottom = np.clip(np.ceil(ends.max(axis=0)), 0, size).astype(int)
    out = np.zeros((size[1], size[0], *((3,) if image.mode == "RGB" else ())), np.uint8)
    if right <= left or bottom <= top:
        return out
    matrix = matrix @ np.array([[1, 0, left], [0, 1, top], [0, 0, 1]])
    matrix = matrix / matrix[2, 2]
    kind, count = Image.Transform.PERSPECTIVE, 8
    if abs(matrix[2, :2]).max() < 1e-12:
        kind, count = Image.Transform.AFFINE, 6
    data = tuple(matrix.ravel()[:count])
    seen = image.transform((right - left, bottom - top), kind, data, Image.Resampling.BILINEAR)
    out[top:bottom, left:right] = np.asarray(seen)
    return out
