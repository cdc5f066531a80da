"""Warnings about the bench beside the shutter: drifts, and an open gate that is stale.

Derived each time from what is stored; the figures come from the verdict on the newest picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from tether.archive.records import Capture, Frame
from tether.bench.light_record import KeptBase, KeptGate, KeptLight
from tether.camera.protocol import CameraState, Role
from tether.camera.values import f_number, shutter_seconds
from tether.findings import CATALOGUE
from tether.findings.kind import BASE_EXPOSURE, LIGHT_TEST, FindingKind
from tether.settings import Settings
from tether.text import printable

_SAME_APERTURE = 0.02
_SAME_TIME_EV = 0.25
_MAYBE_SATURATED_EV = -0.1
"""From here on a base may lie higher than its level says."""
_SHORTER = 1.5
"""Times by which a shutter time has to be shorter before flicker may show that did not before."""

_TESTS = (LIGHT_TEST, BASE_EXPOSURE)
_NO_GATE = "No light test yet: positives stay as uneven as the light."


class LightWarning(NamedTuple):
    """A sentence about the bench, and the id of the action that helps.

    Only the screen knows the key.
    """

    text: str
    action: str


def light_warnings(
    light: KeptLight,
    frames: Sequence[Frame],
    camera: CameraState | None,
    settings: Settings,
    at: datetime,
) -> tuple[LightWarning, ...]:
    """Return what there is to say, the most pressing first, a sentence each.

    Parameters
    ----------
    light, frames
        What is kept of the roll's light, and its frames.
    camera
        How the camera stands, None where it is not connected.
    settings
        Limits.
    at
        The time now.
    """
    captures = sorted((c for f in frames for c in f.captures), key=lambda c: c.id)
    warnings = _from_verdict(light, captures)
    strobe = settings.light.strobe
    base, shown = light.base_under(strobe=strobe), any(c.strobe == strobe for c in captures)
    if light.base is not None and base is None and not shown:
        warnings.append(_found_under_another(light.base))
    elif camera is not None and not strobe:
        warnings += _shutter_elsewhere(base, captures, camera, settings)
    if light.gate is not None:
        warnings += _since_the_gate(light.gate, camera, strobe)
        warnings += _age(light.gate, settings, at)
    elif not captures:
        warnings.append(LightWarning(_NO_GATE, LIGHT_TEST))
    return tuple(warnings)


def _from_verdict(light: KeptLight, captures: Sequence[Capture]) -> list[LightWarning]:
    """Say what the newest picture's verdict has found about the bench."""
    if not captures:
        return []
    tested_since = len(captures) <= light.since
    warnings = []
    for finding in captures[-1].facts.findings:
        kind = CATALOGUE.get(finding.code)
        if kind and kind.brief and not (tested_since and kind.helps in _TESTS):
            warnings.append(_with_action(kind, finding.text))
    return warnings


def _found_under_another(base: KeptBase) -> LightWarning:
    was, now = ("a strobe", "a lamp") if base.strobe else ("a lamp", "a strobe")
    text = f"The base exposure was set under {was}, and the light is {now} now: set it again."
    return LightWarning(text, BASE_EXPOSURE)


def _shutter_elsewhere(
    base: KeptBase | None, captures: Sequence[Capture], camera: CameraState, settings: Settings
) -> list[LightWarning]:
    """Say that the roll's base would miss the target at the shutter that is set now.

    The roll was left and resumed, or another one was shot meanwhile. The newest picture or the base
    exposure says how bright the base was; the rest is the ratio of the times (H = E t).
    """
    if not captures and base is None:
        text = "No base exposure for this roll yet: set it now, or shoot and see."
        return [LightWarning(text, BASE_EXPOSURE)]
    label, level = _newest_base(base, captures)
    shutter = camera.value(Role.SHUTTER) or ""
    then, now = shutter_seconds(label), shutter_seconds(shutter)
    if level is None or not then or not now or abs(math.log2(now / then)) < _SAME_TIME_EV:
        return []
    off = level + math.log2(now / then) - settings.exposure.base_target_ev
    if abs(off) <= settings.exposure.base_tolerance_ev:
        return []
    side = "bright" if off > 0 else "dark"
    text = (
        f"Shutter {printable(shutter, 20)}, but the base was measured at {printable(label, 20)}: "
        f"it would be {abs(off):.1f} stops too {side}. Set the shutter back, or set the base "
        "exposure again."
    )
    return [LightWarning(text, BASE_EXPOSURE)]


def _newest_base(
    calibrated: KeptBase | None, captures: Sequence[Capture]
) -> tuple[str, float | None]:
    """Return the shutter's label and the level of the base (EV) that were seen last."""
    since = captures[calibrated.shot.after :] if calibrated else captures
    for capture in reversed([c for c in since if not c.strobe]):
        level = capture.facts.base_ev
        if level is not None or capture.facts.base_source:
            unsaturated = level if level is not None and level < _MAYBE_SATURATED_EV else None
            return capture.settings.get("shutter", ""), unsaturated
    if calibrated is None:
        return "", None
    strongest = max(calibrated.signal.values(), default=0.0)
    return calibrated.shot.shutter, math.log2(strongest) if strongest > 0 else None


def _since_the_gate(gate: KeptGate, camera: CameraState | None, strobe: bool) -> list[LightWarning]:
    """Say what has changed on the camera since the open gate was photographed."""
    if camera is None:
        return []
    seconds, _, aperture = gate.shot.exposure
    texts = []
    f_now = f_number(camera.value(Role.APERTURE) or "")
    if f_now and aperture and abs(f_now / aperture - 1) > _SAME_APERTURE:
        texts.append(
            f"The open gate was photographed at f/{aperture:g}, the camera is at f/{f_now:g}"
        )
    label = camera.value(Role.SHUTTER) or ""
    time = shutter_seconds(label)
    if time and seconds and seconds / time > _SHORTER and not strobe:
        texts.append(
            f"The light test looked for flicker at {gate.shot.shutter or f'{seconds:g} s'}; at "
            f"{printable(label, 20)} there may be some"
        )
    return [LightWarning(f"{text}: run the light test again.", LIGHT_TEST) for text in texts]


def _age(gate: KeptGate, settings: Settings, at: datetime) -> list[LightWarning]:
    from tether.measure.light.flat import judge_flat

    return [
        _with_action(finding.kind, finding.text)
        for finding in judge_flat(gate.shot.taken_at, at, settings.light)
    ]


def _with_action(kind: FindingKind, text: str) -> LightWarning:
    return LightWarning(f"{text.rstrip('.')}: {kind.brief}.", kind.helps)
