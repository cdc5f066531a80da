"""Every range that a roll of the varied bench is drawn from, in one place.

Where nothing else stands, a range is common practice without a published source, and its ends were
chosen wide. "From memory" marks what a source exists for that was not looked up here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

Generator = np.random.Generator


@dataclass(frozen=True, slots=True)
class Range:
    """Two ends that a number is drawn between, evenly (by its logarithm for ``log``)."""

    low: float
    high: float
    what: str
    log: bool = False

    def draw(self, rng: Generator) -> float:
        """Return a number between the ends."""
        if self.log:
            return math.exp(rng.uniform(math.log(self.low), math.log(self.high)))
        return float(rng.uniform(self.low, self.high))


def _log(low: float, high: float, what: str) -> Range:
    return Range(low, high, what, log=True)


ROLL: dict[str, Range] = {
    # The camera. Noise and full well as EMVA 1288 defines them; sizes as cameras have them.
    "megapixels": _log(1.4, 3.0, "photosites of the made file, millions"),
    "pitch_um": _log(4.0, 16.0, "photosite as the grain sees it, um on the film (60 to 4 MP)"),
    "full_well": _log(20e3, 90e3, "electrons at saturation"),
    "read_noise": _log(1.5, 9.0, "electrons"),
    "row_noise": _log(0.05, 1.5, "electrons, the same along a row"),
    "prnu": _log(0.002, 0.012, "unlike response of photosites, share"),
    "hot_share": _log(1e-6, 1e-4, "hot photosites, share of all"),
    "black": Range(64, 2048, "raw value of no light"),
    # The lens, and how level and how flat everything is.
    "lens_um": _log(1.5, 5.0, "blur of a sharp lens, um on the film, standard deviation"),
    "focus_um": Range(0.0, 5.0, "blur disc of a careful focus, um, radius"),
    "curvature_um": Range(0.0, 6.0, "blur disc that field curvature adds at the corner, um"),
    "curl_um": Range(0.0, 5.0, "blur disc that curl adds across the film, um"),
    "keystone": Range(-0.004, 0.004, "change of scale from edge to edge, share; none below 0"),
    "falloff": Range(0.05, 0.7, "loss of light toward the corners, stops"),
    "glare": _log(0.001, 0.03, "veiling glare, share of the view's mean light (ISO 9358)"),
    "bloom": _log(0.001, 0.02, "glare close to light, share"),
    "camera_turn": Range(-0.4, 0.4, "camera against the film's channel, degrees"),
    # The light.
    "lamp_x": Range(-0.12, 0.12, "lamp's slope from side to side, share"),
    "lamp_y": Range(-0.12, 0.12, "lamp's slope from top to bottom, share"),
    "lamp_spot": Range(0.0, 0.1, "lamp brighter in its middle, share"),
    "room": _log(1e-5, 1.5e-3, "light of the room on the film, share of the open gate"),
    "base_ev": Range(-0.85, -0.3, "base, or clear slide, in stops from saturation"),
    # The film. Granularity as data sheets state it (ISO 10505, from memory), times 1000.
    "granularity": _log(0.6, 1.6, "times the usual rms granularity of such a film"),
    "grain_cycles": _log(25.0, 110.0, "frequency at which grain's spectrum falls, cycles per mm"),
    "mottle": Range(0.0, 0.5, "share of grain's power that lies in clumps five times as large"),
    "gamma": Range(0.85, 1.2, "times the usual contrast of such a film"),
    "halation": _log(0.001, 0.03, "light scattered back within the film, share"),
    "cover_mm": _log(0.01, 0.12, "softness of the picture's edge on the film, mm"),
    "cast": Range(-0.15, 0.15, "light of a picture that is not neutral, log exposure"),
    "inter_layer": Range(0.0, 0.2, "share of a layer's light that its neighbours see"),
    "picture_along_mm": Range(-0.4, 0.5, "picture longer than its format, mm"),
    "picture_across_mm": Range(-0.3, 0.4, "picture wider than its format, mm"),
    "perforation_mm": Range(0, 4.75, "where a camera's frames lie between the perforations, mm"),
    # Holder, gate and hand.
    "margin_mm": Range(0.35, 1.1, "rebate in view on each side, mm, in the view 'rebate'"),
    "beyond_mm": Range(1.0, 4.6, "the same across the film in the view 'perforations'"),
    "wide_along_mm": Range(3.0, 9.0, "gate longer than a frame's pitch, mm, in the view 'wide'"),
    "wide_across_mm": Range(0.3, 3.0, "gate wider than the film, mm, in the view 'wide'"),
    "tight": Range(0.92, 0.98, "part of the picture in view in the view 'tight'"),
    "corner_mm": Range(0.2, 2.0, "radius of a mount's corners, mm"),
    "plastic": _log(0.001, 0.02, "light through a plastic mount, share"),
    "gate_mm": _log(0.02, 0.4, "softness of the gate's edge, mm"),
    "gate_off_mm": Range(-0.25, 0.25, "gate's middle off the sensor's, mm"),
    "mask": _log(1e-5, 4e-3, "light that comes from an opaque holder, share of the open gate"),
    "fill": Range(0.88, 1.0, "share of the sensor that the view takes"),
    "hand_mm": Range(0.02, 0.3, "placement error of a careful hand along the film, mm"),
    "hand_across_mm": Range(0.0, 0.12, "the same across it, mm"),
    "hand_degrees": Range(0.02, 0.35, "the same as a turn, degrees"),
    # What lies about.
    "specks": _log(2, 120, "specks on a frame, at the most"),
    "fibres": Range(0, 6, "hairs and fibres on a frame, at the most"),
    "faint": Range(0, 12, "faint spots on a clean sensor, under three hundredths deep"),
    "scratches": Range(0, 2.5, "fine scratches along the roll"),
}  # fmt: skip

FRAME: dict[str, Range] = {
    "exposure_ev": Range(-1.3, 1.6, "picture's exposure on the film, stops from right"),
    "crop": Range(0.6, 1.0, "part of the photograph that is used"),
}

#: Each mishap with what is drawn for it.
STRENGTH: dict[str, Range] = {
    "lamp-dim": Range(-2.5, -1.0, "stops"),
    "lamp-bright": Range(1.0, 2.5, "stops"),
    "half-way": Range(0.25, 0.75, "share of a frame's pitch"),
    "cut": Range(1.5, 7.0, "mm of the picture out of view"),
    "askew": Range(1.5, 4.0, "degrees"),
    "out-of-focus": Range(0.12, 0.5, "grain that is left, share of its amplitude"),
    "one-side-soft": Range(0.12, 0.45, "the same at the soft side's edge"),
    "dust-on-sensor": Range(0.10, 0.5, "depth of the deepest spot, share of the light"),
    "not-advanced": Range(0.0, 1.0, "no number"),
    "blank": Range(0.0, 1.0, "no number"),
    "wrong-side": Range(0.0, 1.0, "no number"),
    "room-light": _log(0.005, 0.06, "light of the room, share of the open gate"),
    "dusty": Range(150, 500, "specks on one frame"),
    "scratched": Range(3, 9, "scratches on one frame"),
}  # fmt: skip

CHOICES: dict[str, dict[str, float]] = {
    "process": {"bw-negative": 1, "colour-negative": 1, "transparency": 1},
    "view": {"rebate": 4, "wide": 3, "perforations": 1.5, "tight": 1.5},
    "form": {"135": 6, "135-half": 1, "120-645": 0.7, "120-6x6": 1, "120-6x7": 0.7, "120-6x9": 0.6},
    "slide": {"strip": 2, "mount": 1},
    "mount": {"card": 1, "plastic": 1},
    "rail": {"bare": 1, "opaque": 1},
    "around": {"opaque": 3, "bright": 1},
    "cfa": {"RGGB": 2, "BGGR": 1, "GRBG": 1, "GBRG": 1},
    "aspect": {"1.5": 3, "1.3333": 1},
    "bits": {"14": 3, "12": 1},
    "lettering": {"yes": 3, "no": 1},
    "light-test": {"yes": 3, "no": 1},
    "calibrated": {"yes": 1, "no": 1},
    "mask": {"in view": 3, "out of view": 1},
}  # fmt: skip


class Draws(dict[str, float]):
    """The numbers drawn for one roll or one frame, by their names in the tables above."""

    @classmethod
    def of(cls, table: dict[str, Range], rng: Generator) -> Draws:
        """Draw all of a table."""
        return cls({name: each.draw(rng) for name, each in table.items()})


def choose(name: str, rng: Generator) -> str:
    """Draw one of `CHOICES`."""
    options = CHOICES[name]
    weights = np.array(list(options.values()), float)
    return str(rng.choice(list(options), p=weights / weights.sum()))
