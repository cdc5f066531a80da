"""What is said about how a frame lies on the sensor."""

from __future__ import annotations

from tether.film import FilmFormat
from tether.findings import Finding, Severity
from tether.measure.framing.framing import Framing
from tether.settings import Framing as FramingSettings
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
        found.append(
            Finding(
                "between-frames",
                Severity.RESHOOT,
                worst,
                "mm cut off",
                f"The film lies between two frames: {worst:.0f} mm of the picture are out of view.",
                f"Move the film until the picture lies {worst:.0f} mm further {_AWAY[side]} in the "
                "view.",
            )
        )
    elif worst > settings.missing_mm:
        found.append(
            Finding(
                "picture-cut-off",
                Severity.RESHOOT,
                worst,
                "mm cut off",
                f"{worst:.1f} mm of the picture are cut off on its {side} side.",
                f"Move the film until the picture lies {worst:.1f} mm further {_AWAY[side]} in the "
                "view.",
            )
        )
    if abs(framing.rotation) > settings.rotation_degrees and len(framing.seen) >= 3:
        way = "clockwise" if framing.rotation > 0 else "anticlockwise"
        back = "anticlockwise" if framing.rotation > 0 else "clockwise"
        found.append(
            Finding(
                "askew",
                Severity.LOOK,
                round(framing.rotation, 2),
                "degrees",
                f"The film lies {abs(framing.rotation):.1f} degrees askew ({way}).",
                f"Turn the film or its holder {back}, or straighten the picture later.",
            )
        )
    if framing.share < settings.least_share and not found:
        found.append(
            Finding(
                "small-on-sensor",
                Severity.NOTE,
                round(framing.share, 3),
                "share of the sensor",
                f"The picture takes {percent(framing.share)} of the sensor: "
                f"{framing.pixels_per_inch:.0f} pixels per inch of film.",
                "Move the camera closer for more.",
            )
        )
    return found
