"""Which findings each detector makes, so that it can be switched off in the settings.

A detector that is off still measures, for the roll; only its findings are left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tether.findings.finding import Finding
from tether.settings import DetectorSettings

DETECTORS: Mapping[str, tuple[str, ...]] = {
    "exposure": (
        "too-dark", "base-saturated", "picture-saturated", "base-off-target", "rebate-not-seen",
        "highlights-below-target", "shadows-in-noise",
    ),
    "framing": ("between-frames", "picture-cut-off", "askew", "small-on-sensor"),
    "wrong_side": ("wrong-side",),
    "frame_number": ("frame-number",),
    "same_picture": ("not-advanced",),
    "blank": ("blank-frame", "even-frame", "even-view", "no-film"),
    "focus": ("out-of-focus", "one-side-soft", "focus-drift"),
    "dust_on_glass": ("dust-not-on-film",),
    "dust_on_film": ("dust-on-film",),
    "light": (
        "light-changed", "light-drift", "lamp-colour-drift", "light-moved", "gate-uneven",
        "lamp-flicker",
    ),
    "room_light": ("room-light",),
}  # fmt: skip
"""By the name of its switch in `tether.settings.DetectorSettings`."""


def switched_off(settings: DetectorSettings) -> tuple[str, ...]:
    """Return the names of the detectors that are switched off, in words."""
    return tuple(name.replace("_", " ") for name in DETECTORS if not getattr(settings, name))


def wanted(findings: Iterable[Finding], settings: DetectorSettings) -> list[Finding]:
    """Return the findings of the detectors that are on; what is off is named in one more."""
    off = switched_off(settings)
    if not off:
        return list(findings)
    left_out = {
        code for name in DETECTORS if not getattr(settings, name) for code in DETECTORS[name]
    }
    return [
        *(finding for finding in findings if finding.code not in left_out),
        Finding.of("detectors-off", float(len(off)), names=", ".join(off)),
    ]
