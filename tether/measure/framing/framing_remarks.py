"""What is said about how a frame lies on the sensor."""

from __future__ import annotations

from tether.film import FilmFormat
from tether.findings import Finding
from tether.measure.framing.framing import Framing
from tether.settings import FramingSettings
from tether.text import percent

_AWAY = {"left": "right", "right": "left", "top": "down", "bottom": "up"}


def framing_remarks(
    framing: Framing | None, form: FilmFormat, settings: FramingSettings
) -> list[Finding]:
    """Say what is wrong with the framing; sides are those of the raw picture as it is shown.

    Nothing is said where the outline was not found, and nothing about what is cut off where it
    rests on too few borders (`Framing.sure`).
    """
    if framing is None:
        return []
    found = []
    lost = framing.missing if framing.sure else {}
    side = max(lost, key=lambda s: lost[s]) if lost else ""
    worst = lost.get(side, 0.0)
    along = ("top", "bottom") if framing.turned else ("left", "right")
    if side in along and worst > settings.between_share * form.picture_along:
        found.append(Finding.of("between-frames", worst, mm=worst, way=_AWAY[side]))
    elif worst > settings.missing_mm:
        found.append(Finding.of("picture-cut-off", worst, mm=worst, side=side, way=_AWAY[side]))
    if abs(framing.rotation) > settings.rotation_degrees and len(framing.seen) >= 3:
        ways = ("clockwise", "anticlockwise")
        way, back = ways if framing.rotation > 0 else ways[::-1]
        degrees = abs(framing.rotation)
        turned = round(framing.rotation, 2)
        found.append(Finding.of("askew", turned, degrees=degrees, way=way, back=back))
    if framing.share < settings.least_share and not found:
        share, per_inch = percent(framing.share), framing.pixels_per_inch
        value = round(framing.share, 3)
        found.append(Finding.of("small-on-sensor", value, share=share, per_inch=per_inch))
    return found
