"""Close-up optics: magnification, working aperture, diffraction, depth of field.

Lengths are in millimetres, unless a name ends in ``_um`` (micrometres); spatial frequencies are
in line pairs per millimetre at the sensor. ``m`` is the magnification (size on the sensor over
size on the film), ``n`` the f-number marked on the lens, ``p`` the pupil ratio (diameter of the
exit pupil over that of the entrance pupil, 1 for a symmetrical lens). The lens counts as thin
where distances are meant: a real one adds the separation of its principal planes to the distance
from film to sensor, and one that focuses with inner groups shortens its focal length.

Every function raises ValueError for a number that is not finite or not above zero.
"""

from __future__ import annotations

import math

AIRY = 2.44
"""Diameter of the first dark ring in units of wavelength times f-number: twice the first zero of
the Bessel function J1 over pi, 2 x 1.2197 (any textbook of optics)."""

MM_PER_INCH = 25.4


FADGI_STARS = {4: 4000, 3: 3000, 2: 2000, 1: 1000}
"""Sampling frequency of film of 35 mm up to 4 x 5 inches by stars, pixels per inch: FADGI,
Technical Guidelines for Digitizing Cultural Heritage Materials (2016, from memory; neither that
edition nor the one of 2023 was checked)."""
FADGI_LONGEST_MM = 5 * MM_PER_INCH
"""Longest side of the film that those stars are for."""
NARA_LONG_SIDE = 4000
"""Pixels along the longer side of film of 35 mm up to 4 x 5 inches: product SPF-P1 ("4000 line") of
the United States National Archives, which counts pixels along the side, not per inch."""


def filling_magnification(
    picture: tuple[float, float], sensor: tuple[float, float], margin: float
) -> float:
    """Return the magnification at which a picture and its margin just fill the sensor.

    Parameters
    ----------
    picture, sensor
        Two sides each, mm, in either order: the longer sides are laid along each other.
    margin
        Rebate that stays visible on each side of the picture, mm on the film, 0 for none.
    """
    for side in (*picture, *sensor):
        _positive(side=side)
    if not 0 <= margin < math.inf:
        raise ValueError(f"margin must be 0 or more, not {margin}")
    return min(
        on_sensor / (on_film + 2 * margin)
        for on_sensor, on_film in zip(sorted(sensor), sorted(picture), strict=True)
    )


def image_distance(focal: float, m: float) -> float:
    """Return the distance from lens to sensor, ``f (1 + m)``: the thin lens equation."""
    _positive(focal=focal, m=m)
    return focal * (1 + m)


def object_distance(focal: float, m: float) -> float:
    """Return the distance from film to lens, ``f (1 + 1 / m)``: the thin lens equation."""
    _positive(focal=focal, m=m)
    return focal * (1 + 1 / m)


def extension(focal: float, m: float) -> float:
    """Return how far the lens stands out from its place at infinity focus, ``f m``."""
    return image_distance(focal, m) - focal


def spacer(focal: float, m: float, closest: float) -> float:
    """Return the shortest spacer between camera and lens that lets it reach ``m``.

    ``closest`` is the largest magnification to which the lens focuses by itself; 0 when it
    cannot be focused, which makes the spacer all of the extension. The answer is 0 when none is
    needed. A lens that focuses by moving as a whole has used ``f closest`` of its own.
    """
    if not 0 <= closest < math.inf:
        raise ValueError(f"closest must be 0 or more, not {closest}")
    return max(0.0, extension(focal, m) - focal * closest)


def working_aperture(n: float, m: float, p: float = 1.0) -> float:
    """Return the f-number that light and diffraction follow close up, ``N (1 + m / p)``."""
    _positive(n=n, m=m, p=p)
    return n * (1 + m / p)


def marked_aperture(working: float, m: float, p: float = 1.0) -> float:
    """Return the f-number on the lens that gives a working aperture."""
    _positive(working=working, m=m, p=p)
    return working / (1 + m / p)


def light_lost_ev(m: float, p: float = 1.0) -> float:
    """Return the stops of light lost against infinity focus, ``2 log2(1 + m / p)``."""
    return 2 * math.log2(working_aperture(1.0, m, p))


def airy_diameter_um(working: float, wavelength_um: float) -> float:
    """Return the diameter of the Airy disc at the sensor, ``2.44 lambda N_w``."""
    _positive(working=working, wavelength_um=wavelength_um)
    return AIRY * wavelength_um * working


def optical_cutoff(working: float, wavelength_um: float) -> float:
    """Return the frequency at which a perfect lens leaves no contrast, ``1 / (lambda N_w)``."""
    _positive(working=working, wavelength_um=wavelength_um)
    return 1000 / (wavelength_um * working)


def nyquist(pitch_um: float) -> float:
    """Return the finest frequency that a sensor can hold, ``1 / (2 pitch)``.

    That is for all photosites together; those of one colour lie up to twice as far apart.
    """
    _positive(pitch_um=pitch_um)
    return 500 / pitch_um


def diffraction_contrast(frequency: float, working: float, wavelength_um: float) -> float:
    """Return the share of contrast, 0 to 1, that a perfect lens with a round pupil leaves.

    ``2 / pi (acos v - v sqrt(1 - v^2))`` with ``v`` the frequency over the cut-off: the area
    common to two shifted discs, the transfer function of an incoherent diffraction-limited
    system (textbooks of Fourier optics).
    """
    _positive(frequency=frequency)
    v = min(frequency / optical_cutoff(working, wavelength_um), 1.0)
    return 2 / math.pi * (math.acos(v) - v * math.sqrt(1 - v * v))


def cutoff_meets_nyquist(pitch_um: float, wavelength_um: float) -> float:
    """Return the working aperture at which the cut-off lies at the sensor's Nyquist frequency.

    Any smaller opening lets no detail through that is as fine as the pixels.
    """
    _positive(pitch_um=pitch_um, wavelength_um=wavelength_um)
    return 2 * pitch_um / wavelength_um


def airy_covers(pixels: float, pitch_um: float, wavelength_um: float) -> float:
    """Return the working aperture at which the Airy disc is that many pixels wide."""
    _positive(pixels=pixels, pitch_um=pitch_um, wavelength_um=wavelength_um)
    return pixels * pitch_um / (AIRY * wavelength_um)


def depth_at_film(n: float, m: float, blur: float, p: float = 1.0) -> float:
    """Return the whole depth of field at the film, nearest to farthest.

    ``2 N c (1 + m / p) / m^2``, for a symmetrical lens ``2 N c (m + 1) / m^2``. It follows from
    similar triangles: the film sees the entrance pupil (diameter f / N) at a distance of
    ``f (1 / m + 1 / p)``, and a point off the plane of focus is drawn as a patch of ``c / m``
    on it. Holds while the depth is small against that distance.

    Parameters
    ----------
    blur
        Diameter ``c`` of the blur at the sensor that still passes as sharp, mm.
    """
    _positive(blur=blur)
    return 2 * working_aperture(n, m, p) * blur / m**2


def aperture_for_depth(depth: float, m: float, blur: float, p: float = 1.0) -> float:
    """Return the f-number on the lens that gives a depth of field at the film; see above."""
    _positive(depth=depth)
    return depth / depth_at_film(1.0, m, blur, p)


def pixels_per_inch(m: float, pitch_um: float) -> float:
    """Return the sampling frequency on the film, in pixels per inch of film."""
    _positive(m=m, pitch_um=pitch_um)
    return MM_PER_INCH * 1000 * m / pitch_um


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < math.inf:
            raise ValueError(f"{name} must be above zero and finite, not {value}")
