"""Sidecars, read back by exiftool and by a plain XML reader."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.delivery.delivering import NASTY
from tests.exiftool import exiftool
from tether.archive.records import Capture, Frame, FrameState, Roll
from tether.delivery.xmp import (
    NAMESPACES,
    Subject,
    identifier,
    is_as_written,
    positive_packet,
    raw_sidecar,
)
from tether.description import FrameDescription, RollDescription
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
    assert (found["Orientation"], found["Choice"]) == (2, "kept")
    assert "Rating" not in found, "stars are the photographer's"
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
    assert found["CameraSettings"] == "shutter: 1/15"
    assert found["CreateDate"] == "2024:05:04 10:00:00.000+00:00"
    assert found["DocumentID"] == identifier("ab" * 32)


SAID = RollDescription().changed(
    {
        "photographer": "Ł. Größe", "rights": "© 1987 港", "date": "1987-06~", "place": "Łódź",
        "subject": "The harbour", "people": "Ann; Bo", "keywords": "ships; 港", "film_stock": "HP",
        "box": "7", "identifiers": "A 1; B 2", "organisation": "Town archive",
    }
)  # fmt: skip
DESCRIBED = replace(
    SUBJECT,
    roll=replace(ROLL, description=SAID),
    frame=replace(
        FRAME, description=FrameDescription().changed({"caption": "The quay", "people": "Cy"})
    ),
)


def grouped(path: Path) -> dict[str, Any]:
    """Return what exiftool reads, each tag with the schema that it found it in."""
    program = shutil.which("exiftool")
    if program is None:
        pytest.skip("the program exiftool is not installed")
    command = [program, "-json", "-G1", "-a", "-struct", "-n", str(path)]
    out = subprocess.run(command, check=True, capture_output=True)
    found: dict[str, Any] = json.loads(out.stdout)[0]
    return found


def test_what_people_say_stands_where_the_standards_have_it(tmp_path: Path) -> None:
    """Names of the IPTC Photo Metadata Standard 2023.2 and ISO 16684-1, as exiftool knows them.

    The two source types are on the IPTC's list, http://cv.iptc.org/newscodes/digitalsourcetype/.
    """
    path = tmp_path / "a.xmp"
    path.write_bytes(positive_packet(DESCRIBED))
    assert exiftool(path)["Validate"] == "0 0 0"
    found = grouped(path)
    assert found["XMP-dc:Creator"] == ["Ł. Größe"]
    assert found["XMP-dc:Rights"] == "© 1987 港"
    assert found["XMP-xmpRights:Marked"] is True
    assert found["XMP-photoshop:DateCreated"] == "1987:06"
    assert found["XMP-film:Date"] == "1987-06~", "whole, as it was given"
    assert "XMP-exif:DateTimeOriginal" not in found, "the day is not known"
    assert found["XMP-xmp:CreateDate"] == "2024:05:04 10:00:00.000+00:00"
    assert found["XMP-photoshop:Headline"] == "The harbour"
    assert found["XMP-photoshop:Credit"] == "Town archive"
    assert found["XMP-iptcExt:PersonInImage"] == ["Ann", "Bo", "Cy"]
    assert found["XMP-iptcCore:Location"] == "Łódź"
    assert found["XMP-iptcExt:LocationCreated"] == [{"LocationName": "Łódź"}]
    assert found["XMP-dc:Identifier"] == "A 1"
    assert found["XMP-dc:Description"].startswith("The quay. Harbour & pier, frame 7")
    assert {"ships", "港"} <= set(found["XMP-dc:Subject"])
    listed = "http://cv.iptc.org/newscodes/digitalsourcetype/"
    assert found["XMP-iptcExt:DigitalSourceType"] == f"{listed}negativeFilm"
    assert found["XMP-xmpMM:DerivedFrom"] == {
        "DocumentID": identifier("ab" * 32), "FilePath": "Harbour_f007_t2.dng"
    }  # fmt: skip
    slides = replace(DESCRIBED, roll=replace(ROLL, process=FilmProcess.TRANSPARENCY))
    assert f"{listed}positiveFilm".encode() in positive_packet(slides)


@pytest.mark.parametrize(
    ("date", "created", "original"),
    [
        ("1987-06-12", "1987-06-12", "1987-06-12"),
        ("1987-06-12~", "1987-06-12", None),
        ("198X", None, None),
        ("1987", "1987", None),
        ("", None, None),
    ],
)
def test_a_film_s_date_is_said_as_far_as_it_is_known(
    date: str, created: str | None, original: str | None
) -> None:
    said = RollDescription().changed({"date": date})
    packet = positive_packet(replace(SUBJECT, roll=replace(ROLL, description=said)))
    root = ET.fromstring(packet)
    assert root.findtext(f".//{{{NAMESPACES['photoshop']}}}DateCreated") == created
    assert root.findtext(f".//{{{NAMESPACES['exif']}}}DateTimeOriginal") == original
    assert root.findtext(f".//{{{NAMESPACES['film']}}}Date") == (date or None)


def test_an_identifier_names_the_bytes() -> None:
    """RFC 6920, section 8.1: the text "Hello World!" by its SHA-256."""
    digest = hashlib.sha256(b"Hello World!").hexdigest()
    assert identifier(digest) == "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"


def test_exiv2_reads_it_too(tmp_path: Path) -> None:
    program = shutil.which("exiv2")
    if program is None:
        pytest.skip("the program exiv2 is not installed")
    path = tmp_path / "a.xmp"
    path.write_bytes(positive_packet(DESCRIBED))
    out = subprocess.run([program, "-Pkt", "pr", path], check=True, capture_output=True, text=True)
    read = dict(line.split(maxsplit=1) for line in out.stdout.splitlines())
    assert read["Xmp.dc.creator"].strip() == "Ł. Größe"
    assert read["Xmp.photoshop.DateCreated"].strip() == "1987-06"
    assert read["Xmp.iptcExt.DigitalSourceType"].strip().endswith("negativeFilm")
    assert read["Xmp.xmpMM.DerivedFrom/stRef:documentID"].strip() == identifier("ab" * 32)
    # It keeps the month as it stands, and says that its other dates (IPTC-IIM) have no such form.
    assert set(out.stderr.splitlines()) <= {"Warning: Unsupported date format"}


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


def test_a_sidecar_is_known_again_until_anything_in_it_changes() -> None:
    packet = raw_sidecar(SUBJECT)
    assert is_as_written(packet)
    assert not is_as_written(packet.replace(b">keep<", b">look<"))
    assert not is_as_written(packet + b" ")
    assert not is_as_written(b"")
