"""Sidecars, read back by exiftool and by a plain XML reader."""

from __future__ import annotations

import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from tests.delivery.delivering import NASTY
from tests.exiftool import exiftool
from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.delivery.xmp import (
    NAMESPACES,
    Subject,
    is_as_written,
    positive_packet,
    raw_sidecar,
)
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.positive.exif import ShotFacts

CAPTURE = Capture(
    1, 7, 2, "Harbour_f007_t2.dng", 100, "ab" * 32, "2024-05-04T10:00:00.000+00:00", "program",
    decision="chosen", verdict=Verdict.KEEP,
    settings={"shutter": "1/15", "battery": "90 %", "clock": "1714816800"},
    facts=Facts.read({"findings": [{"text": NASTY}]}),
)  # fmt: skip
FILM = FilmProcess.COLOUR_NEGATIVE
ROLL = Roll(
    1, "Harbour & pier", "Harbour", FilmProcess.COLOUR_NEGATIVE, "135", 36, 6, "for Tuesday"
)
FRAME = Frame(7, FrameState.KEPT, "the tall crane", (CAPTURE,))
SUBJECT = Subject(ROLL, FRAME, CAPTURE, ShotFacts(seconds=1 / 15, f_number=8.0, iso=100.0))


def test_exiftool_reads_the_sidecar(tmp_path: Path) -> None:
    path = tmp_path / "a.xmp"
    path.write_bytes(raw_sidecar(SUBJECT))
    found = exiftool(path)
    assert found["Validate"] == "0 0 0", found.get("Warning")
    assert (found["Orientation"], found["Rating"], found["Choice"]) == (2, 1, "kept")
    assert "Label" not in found, "other programs take labels for colours"
    assert found["Title"] == "Harbour & pier, frame 7"
    assert found["Subject"] == [
        "colour negative", "35 mm 24 x 36", "roll Harbour & pier", "frame 7", "strip 2"
    ]  # fmt: skip
    assert found["ExposureTime"] == pytest.approx(1 / 15, rel=1e-4)
    assert (found["FNumber"], found["ISO"]) == (8, 100)
    assert "the tall crane" in str(found["Description"])
    assert (found["Frame"], found["Strip"], found["Take"]) == (7, 2, 2)
    assert found["RollNotes"] == "for Tuesday"
    assert found["CameraSettings"] == ["clock: 2024-05-04T10:00:00+00:00", "shutter: 1/15"]


@pytest.mark.parametrize(
    ("turn", "orientation", "words"),
    [
        (0, 2, "Mirror horizontal"),
        (90, 7, "Mirror horizontal and rotate 90 CW"),
        (180, 4, "Mirror vertical"),
        (270, 5, "Mirror horizontal and rotate 270 CW"),
    ],
)
def test_orientation_is_mirrored_then_turned(
    tmp_path: Path, turn: int, orientation: int, words: str
) -> None:
    """The words are exiftool's for the values of TIFF 6.0's tag 274."""
    path = tmp_path / "a.xmp"
    path.write_bytes(raw_sidecar(SUBJECT, turn))
    assert exiftool(path)["Orientation"] == orientation
    out = subprocess.run(["exiftool", "-s3", "-Orientation", path], check=True, capture_output=True)
    assert out.stdout.decode().strip() == words


def test_texts_from_outside_are_escaped_and_made_harmless() -> None:
    packet = raw_sidecar(replace(SUBJECT, frame=replace(FRAME, note=NASTY + "\x00\x1b[2J")))
    root = ET.fromstring(packet)
    note = root.find(f".//{{{NAMESPACES['film']}}}FrameNote")
    assert note is not None
    assert note.text is not None
    assert note.text.startswith('<script>alert(1)</script> & "quotes"')
    assert "\x1b" not in note.text
    assert b"<script>" not in packet


def test_a_positive_is_upright_and_names_its_raw_file() -> None:
    root = ET.fromstring(positive_packet(SUBJECT))
    tiff, dc = NAMESPACES["tiff"], NAMESPACES["dc"]
    assert root.findtext(f".//{{{tiff}}}Orientation") == "1"
    assert root.findtext(f".//{{{dc}}}source") == "Harbour_f007_t2.dng"


def test_a_take_that_was_not_chosen_says_so() -> None:
    packet = raw_sidecar(replace(SUBJECT, capture=replace(CAPTURE, decision="other")))
    assert ET.fromstring(packet).findtext(f".//{{{NAMESPACES['film']}}}Choice") == "not kept"
    assert ET.fromstring(packet).findtext(f".//{{{NAMESPACES['xmp']}}}Rating") == "0"


def test_a_sidecar_is_known_again_until_anything_in_it_changes() -> None:
    packet = raw_sidecar(SUBJECT)
    assert is_as_written(packet)
    assert not is_as_written(packet.replace(b"<xmp:Rating>1<", b"<xmp:Rating>5<"))
    assert not is_as_written(packet + b" ")
    assert not is_as_written(b"")
