"""Every detector of a frame has its switch, and every switch its detector."""

from __future__ import annotations

from dataclasses import fields

import pytest

from tether.findings import CATALOGUE, Finding, Severity
from tether.findings.about_light import LIGHT
from tether.findings.detectors import DETECTORS, switched_off, wanted
from tether.settings import DetectorSettings, Settings
from tether.settings_file import parse

ALWAYS = {"file-damaged", "not-judged", "facts-damaged", "detectors-off", "flat-stale"}
"""About files, the judge itself and the light test: nothing is looked for in a frame."""
OF_FRAMES = {"room-light", "lamp-flicker"}
"""Codes that frames have, among those of the light."""


def test_every_code_of_a_frame_belongs_to_one_switch() -> None:
    assert list(DETECTORS) == [f.name for f in fields(DetectorSettings)]
    codes = [code for group in DETECTORS.values() for code in group]
    assert len(codes) == len(set(codes))
    assert set(codes) | ALWAYS == set(CATALOGUE) - (set(LIGHT) - OF_FRAMES)


@pytest.mark.parametrize("name", list(DETECTORS))
def test_a_switch_in_the_settings_file_takes_its_findings_out(name: str) -> None:
    settings: Settings = parse({"detectors": {name: False}}, "a file")
    found = [
        Finding(code, Severity(CATALOGUE[code].severities[0]))
        for group in DETECTORS.values() for code in group
    ]  # fmt: skip
    left = [finding.code for finding in wanted(found, settings.detectors)]
    kept = [f.code for f in found if f.code not in DETECTORS[name]]
    assert left == [*kept, "detectors-off"]
    assert switched_off(settings.detectors) == (name.replace("_", " "),)
    assert wanted(found, DetectorSettings()) == found
