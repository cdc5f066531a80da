"""What to change about the light, from what the open gate and the dark frame showed."""

from __future__ import annotations

from tether.findings import Finding, Severity
from tether.measure.exposure.exposure_remarks import turn_power
from tether.measure.light.flicker import steadier_shutter, steady_seconds
from tether.measure.light.light import METERED_FIELD_EV, Light, balance_off_ev
from tether.settings import Bench, Exposure
from tether.settings import Light as LightSettings
from tether.text import percent, stops

_METERED_WITHIN = 0.5
"""Stops from the metered level within which an open gate was probably exposed by the meter."""
_LAMP_ON = 0.3
"""Share of the open gate's light above which the frame with the lamp off shows the lamp."""
_TOO_DARK_EV = -7.0
"""Mean light, in stops from saturation, below which noise hides pattern and bands."""


_COUNTED = {1.0: "one", 2.0: "two", 3.0: "three", 4.0: "four"}


def step_down(
    settings: LightSettings, exposure: Exposure | None = None, bench: Bench | None = None
) -> float:
    """Return by how many stops less light a saturated open gate is tried again, negative.

    A strobe is turned by hand, so it is turned to where its gate is kept, if it was just saturated.
    """
    step = (exposure or Exposure()).from_saturation_ev
    return max(step, (bench or Bench()).strobe_gate_ev + 1) if settings.strobe else step


def judge_light(
    light: Light,
    settings: LightSettings | None = None,
    *,
    seconds: float | None = None,
    shutters: tuple[tuple[str, float], ...] = (),
    white_balance: tuple[float, float, float] | None = None,
    exposure: Exposure | None = None,
    bench: Bench | None = None,
) -> list[Finding]:
    """Say what to change about the light.

    Parameters
    ----------
    light
        The open gate, from `tether.measure.light.light.measure_light`.
    seconds, shutters
        The shutter time it was taken at and the settings that the camera has, for the advice.
    white_balance
        Multipliers for red, green and blue as the camera was set.
    exposure, bench
        How much less light is asked for where it is saturated; see `step_down`.

    Returns
    -------
    ``light-saturated``, ``light-too-dark`` (after either nothing else is said), ``light-uneven``,
    ``lamp-flicker``, ``white-balance-off`` and the note ``light-metered``. Of a strobe neither
    flicker nor metering is judged.
    """
    settings = settings or LightSettings()
    if light.saturated:
        less = step_down(settings, exposure, bench)
        return [
            Finding(
                "light-saturated",
                Severity.RESHOOT,
                round(light.mean_ev, 2),
                "EV",
                "The open gate is saturated: neither evenness nor colour can be measured.",
                f"Give {_COUNTED.get(-less, f'{-less:g}')} stops less light"
                + (f": {turn_power(less)}. Then" if settings.strobe else " and")
                + " photograph the open gate again.",
            )
        ]
    if light.mean_ev < _TOO_DARK_EV:
        return [
            Finding(
                "light-too-dark",
                Severity.RESHOOT,
                round(light.mean_ev, 2),
                "EV",
                "Hardly any light reaches the sensor.",
                "See whether the strobe fired and the lens cap is off; then give more light."
                if settings.strobe
                else "See whether the lamp is on and the lens cap is off; then give more light.",
            )
        ]
    findings = []
    if light.evenness_percent > settings.uneven_percent:
        findings.append(_uneven(light))
    if light.flicker_percent > settings.flicker_percent and not settings.strobe:
        findings.append(_flicker(light, seconds, shutters))
    if white_balance is not None:
        off = balance_off_ev(light.neutral, white_balance)
        if off > settings.balance_ev:
            findings.append(
                Finding(
                    "white-balance-off",
                    Severity.NOTE,
                    round(off, 2),
                    "EV",
                    f"The white balance set is {off:.1f} stops from the lamp's colour.",
                    "Set it to the lamp (daylight lamp: 5000 K or daylight; incandescent: "
                    "tungsten) and never to automatic. The raw values do not change by it.",
                )
            )
    if abs(light.mean_ev - METERED_FIELD_EV) < _METERED_WITHIN and not settings.strobe:
        findings.append(
            Finding(
                "light-metered",
                Severity.NOTE,
                round(light.mean_ev, 2),
                "EV",
                f"The open gate lies {stops(light.mean_ev)} from saturation, where a meter puts "
                "every even field: it looks grey and not white.",
            )
        )
    return findings


def judge_power(light: Light, bench: Bench | None = None) -> list[Finding]:
    """Say by how many stops a strobe's power is off for its open gate.

    Returns
    -------
    ``strobe-power``: a note within the limits in which its pattern can be measured, to be
    photographed again below them. Nothing where it lies as it should, or `judge_light` says more.
    """
    bench = bench or Bench()
    off = bench.gate_target_ev - light.mean_ev
    if light.saturated or light.mean_ev < _TOO_DARK_EV or abs(off) <= bench.gate_tolerance_ev:
        return []
    far = light.mean_ev < bench.strobe_gate_ev
    return [
        Finding(
            "strobe-power",
            Severity.RESHOOT if far else Severity.NOTE,
            round(off, 2),
            "stops",
            f"The open gate lies {-light.mean_ev:.1f} stops below saturation, and should lie "
            f"{-bench.gate_target_ev:.1f} below it.",
            f"Give {abs(off):.1f} stops {'more' if off > 0 else 'less'} light: {turn_power(off)}. "
            "Then photograph the open gate again."
            if far
            else f"It will do. For a finer look give {abs(off):.1f} stops "
            f"{'more' if off > 0 else 'less'}: {turn_power(off)}.",
        )
    ]


def judge_stray_light(share: float, settings: LightSettings | None = None) -> list[Finding]:
    """Say whether too much light reaches the sensor with the lamp off.

    Parameters
    ----------
    share
        That light over the open gate's at the same exposure, 0..1, from `stray_share`.

    Returns
    -------
    ``lamp-still-on``, ``stray-light``, or nothing. A share s lifts every density toward
    ``-log10 s``, the greatest that can be measured at all (ISO 5-2: D = -log10 T).
    """
    settings = settings or LightSettings()
    if share > _LAMP_ON:
        return [
            Finding(
                "lamp-still-on",
                Severity.RESHOOT,
                round(share, 4),
                "share of the open gate",
                f"As much as {percent(share)} of the lamp's light reaches the sensor: the lamp "
                "seems to be on still.",
                "Switch it off, or lay a black card over the gate, and photograph it again.",
            )
        ]
    if share <= settings.stray_share:
        return []
    return [
        Finding(
            "stray-light",
            Severity.LOOK,
            round(share, 6),
            "share of the open gate",
            f"With the lamp off, {percent(share)} of its light still reaches the sensor.",
            "Switch the room light off, shade the film from windows and screens, and mask the "
            "lamp around the gate.",
        )
    ]


def _uneven(light: Light) -> Finding:
    less = f"{light.evenness_percent:.0f} % ({light.evenness_ev:.2f} stops)"
    return Finding(
        "light-uneven",
        Severity.LOOK,
        round(light.evenness_percent, 1),
        "%",
        f"The light is uneven: it differs by {less} within the {light.darkest}."
        if light.darkest == light.lightest
        else f"The light is uneven: the {light.darkest} has {less} less than the {light.lightest}.",
        "Centre the lamp under the gate, raise the film above its diffuser, stop the lens down "
        "to about f/8, and photograph the open gate again.",
    )


def _flicker(
    light: Light, seconds: float | None, shutters: tuple[tuple[str, float], ...]
) -> Finding:
    nearest = steadier_shutter(shutters, seconds) if seconds else None
    if nearest:
        setting = f"Set the shutter to {nearest[0]} with the lamp dimmed to suit"
    else:
        time = steady_seconds(seconds or 0.0)
        setting = f"Expose {time:g} s or a multiple of it, with the lamp dimmed to suit"
    return Finding(
        "lamp-flicker",
        Severity.RESHOOT,
        round(light.flicker_percent, 2),
        "%",
        f"The lamp flickers: {light.bands:.0f} bands along the rows, "
        f"{light.flicker_percent:.1f} % strong.",
        f"{setting}: whole periods of mains light (1/100 s or 1/120 s) average out. Or use a "
        "lamp that runs on direct current.",
    )
