"""What to change about the light, from what the open gate and the dark frame showed."""

from __future__ import annotations

from tether.findings import Finding, Severity
from tether.findings.about_exposure import turn_power
from tether.measure.light.flicker import steadier_shutter, steady_seconds
from tether.measure.light.light import METERED_FIELD_EV, Light, balance_off_ev
from tether.settings import BenchSettings, ExposureSettings, LightSettings
from tether.text import percent, stops

_METERED_WITHIN = 0.5
"""Stops from the metered level within which an open gate was probably exposed by the meter."""
_LAMP_ON = 0.3
"""Share of the open gate's light above which the frame with the lamp off shows the lamp."""
_TOO_DARK_EV = -7.0
"""Mean light, in stops from saturation, below which noise hides pattern and bands."""


_COUNTED = {1.0: "one", 2.0: "two", 3.0: "three", 4.0: "four"}


def step_down(
    settings: LightSettings,
    exposure: ExposureSettings | None = None,
    bench: BenchSettings | None = None,
) -> float:
    """Return by how many stops less light a saturated open gate is tried again, negative.

    A strobe is turned by hand, so it is turned to where its gate is kept, if it was just saturated.
    """
    step = (exposure or ExposureSettings()).from_saturation_ev
    return max(step, (bench or BenchSettings()).strobe_gate_ev + 1) if settings.strobe else step


def judge_light(
    light: Light,
    settings: LightSettings | None = None,
    *,
    seconds: float | None = None,
    shutters: tuple[tuple[str, float], ...] = (),
    white_balance: tuple[float, float, float] | None = None,
    exposure: ExposureSettings | None = None,
    bench: BenchSettings | None = None,
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
            Finding.of(
                "light-saturated",
                round(light.mean_ev, 2),
                case="strobe" if settings.strobe else "",
                count=_COUNTED.get(-less, f"{-less:g}"),
                turn=turn_power(less),
            )
        ]
    if light.mean_ev < _TOO_DARK_EV:
        case = "strobe" if settings.strobe else ""
        return [Finding.of("light-too-dark", round(light.mean_ev, 2), case=case)]
    findings = []
    if light.evenness_percent > settings.uneven_percent:
        findings.append(_uneven(light))
    if light.flicker_percent > settings.flicker_percent and not settings.strobe:
        findings.append(_flicker(light, seconds, shutters))
    if white_balance is not None:
        off = balance_off_ev(light.neutral, white_balance)
        if off > settings.balance_ev:
            findings.append(Finding.of("white-balance-off", round(off, 2), stops=off))
    if abs(light.mean_ev - METERED_FIELD_EV) < _METERED_WITHIN and not settings.strobe:
        below = stops(light.mean_ev)
        findings.append(Finding.of("light-metered", round(light.mean_ev, 2), stops=below))
    return findings


def judge_power(light: Light, bench: BenchSettings | None = None) -> list[Finding]:
    """Say by how many stops a strobe's power is off for its open gate.

    Returns
    -------
    ``strobe-power``: a note within the limits in which its pattern can be measured, to be
    photographed again below them. Nothing where it lies as it should, or `judge_light` says more.
    """
    bench = bench or BenchSettings()
    off = bench.gate_target_ev - light.mean_ev
    if light.saturated or light.mean_ev < _TOO_DARK_EV or abs(off) <= bench.gate_tolerance_ev:
        return []
    far = light.mean_ev < bench.strobe_gate_ev
    return [
        Finding.of(
            "strobe-power",
            round(off, 2),
            Severity.RESHOOT if far else Severity.NOTE,
            case="far" if far else "",
            below=-light.mean_ev,
            target=-bench.gate_target_ev,
            stops=abs(off),
            way="more" if off > 0 else "less",
            turn=turn_power(off),
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
        return [Finding.of("lamp-still-on", round(share, 4), share=percent(share))]
    if share <= settings.stray_share:
        return []
    return [Finding.of("stray-light", round(share, 6), share=percent(share))]


def _uneven(light: Light) -> Finding:
    return Finding.of(
        "light-uneven",
        round(light.evenness_percent, 1),
        case="one-place" if light.darkest == light.lightest else "",
        percent=light.evenness_percent,
        stops=light.evenness_ev,
        darkest=light.darkest,
        lightest=light.lightest,
    )


def _flicker(
    light: Light, seconds: float | None, shutters: tuple[tuple[str, float], ...]
) -> Finding:
    nearest = steadier_shutter(shutters, seconds) if seconds else None
    return Finding.of(
        "lamp-flicker",
        round(light.flicker_percent, 2),
        Severity.RESHOOT,
        case="" if nearest else "time",
        bands=light.bands,
        percent=light.flicker_percent,
        time=nearest[0] if nearest else steady_seconds(seconds or 0.0),
    )
