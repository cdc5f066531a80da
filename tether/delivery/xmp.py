"""XMP packets (ISO 16684-1): beside each raw file, and inside each positive.

Written with the standard library: the packages for it on the Python Package Index bring or need
a native library of their own.
"""

from __future__ import annotations

import hashlib
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction

from tether.archive.records import Capture, Frame, Roll
from tether.positive.exif import SOFTWARE, ShotFacts
from tether.positive.raw_positive.placing import orientation
from tether.text import printable

#: Where general tools look: properties and their namespaces are those of ISO 16684-1 and of
#: XMP specification part 2 (exif, tiff). ``film`` is this program's own, under a name that
#: nobody can own (RFC 2606).
NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "film": "http://ns.tether.invalid/film/1.0/",
}

_OF_THE_DAY = ("battery", "capture target")
"""Roles that say nothing of the picture."""

_SECONDS_DIGITS = 11
"""More of them are no date that a calendar has."""

_NO_DIGEST = "0" * 64
_DIGEST = re.compile(rb"<film:PacketSha256>([0-9a-f]{64})</film:PacketSha256>")

_XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_TAIL = '\n<?xpacket end="w"?>\n'


@dataclass(frozen=True, slots=True)
class Subject:
    """What a packet is about."""

    roll: Roll
    frame: Frame
    capture: Capture
    shot: ShotFacts | None = None


def raw_sidecar(subject: Subject, turn: int = 0, *, mirrored: bool = True) -> bytes:
    """Return the packet for beside a raw file.

    A raw file of emulsion toward the lens is a mirror image (``mirrored``); the orientation puts
    it right in programs that read it. ``turn`` is in degrees clockwise after that. The packet
    holds a digest of itself, by which `is_as_written` knows it again.
    """
    packet = _packet(subject, orientation(turn, mirrored=mirrored), None)
    digest = hashlib.sha256(packet).hexdigest()
    return packet.replace(_NO_DIGEST.encode(), digest.encode(), 1)


def is_as_written(packet: bytes) -> bool:
    """Tell whether a sidecar is to the byte what `raw_sidecar` once returned."""
    found = _DIGEST.search(packet)
    if found is None:
        return False
    blank = packet[: found.start(1)] + _NO_DIGEST.encode() + packet[found.end(1) :]
    return hashlib.sha256(blank).hexdigest().encode() == found.group(1)


def positive_packet(subject: Subject) -> bytes:
    """Return the packet for inside a positive, which is the right way round already."""
    return _packet(subject, 1, subject.capture.file_name)


def raw_positive_packet(subject: Subject, lies: int, form: str, gamma: str) -> bytes:
    """Return the packet for inside a raw positive, with its orientation, form and gamma."""
    return _packet(subject, lies, subject.capture.file_name, form, gamma)


def description(subject: Subject) -> str:
    """Return one line that says what the picture is."""
    roll, frame = subject.roll, subject.frame
    line = f"{roll.name}, frame {frame.number} ({roll.process.label}, {roll.film_format.label})"
    return printable(f"{line}. {frame.note}" if frame.note else line, 2000)


def keywords(subject: Subject) -> tuple[str, ...]:
    """Return the words that a collection is searched by."""
    roll, number = subject.roll, subject.frame.number
    words = (
        roll.process.label,
        # Many programs take a comma for the end of a keyword.
        roll.film_format.label.replace(",", ""),
        f"roll {roll.name}",
        f"frame {number}",
        f"strip {roll.strip_of(number)}",
    )
    return tuple(printable(word, 300) for word in words)


def _packet(
    subject: Subject, lies: int, source: str | None, form: str = "", gamma: str = ""
) -> bytes:
    for prefix, uri in NAMESPACES.items():
        ET.register_namespace(prefix, uri)
    meta = ET.Element(_name("x:xmpmeta"))
    rdf = ET.SubElement(meta, _name("rdf:RDF"))
    about = ET.SubElement(rdf, _name("rdf:Description"), {_name("rdf:about"): ""})
    _fill(about, subject, lies, source)
    _text(about, "film:RawPositive", form)
    _text(about, "film:RawPositiveGamma", gamma)
    ET.indent(meta, " ")
    text = ET.tostring(meta, encoding="unicode")
    return (_HEAD + text + _TAIL).encode("utf-8")


def _fill(about: ET.Element, subject: Subject, lies: int, source: str | None) -> None:
    roll, frame, capture = subject.roll, subject.frame, subject.capture
    chosen = capture.decision == "chosen"
    _text(about, "tiff:Orientation", str(lies))
    _text(about, "xmp:Rating", "1" if chosen else "0")
    _text(about, "xmp:CreatorTool", SOFTWARE)
    _text(about, "xmp:CreateDate", capture.taken_at)
    _language(about, "dc:title", f"{roll.name}, frame {frame.number}")
    _language(about, "dc:description", description(subject))
    _array(about, "dc:subject", "Bag", keywords(subject))
    if source:
        _text(about, "dc:source", source)
    else:
        # First of all texts that could hold it, so that it is the one that is filled in.
        about.insert(0, ET.Element(_name("film:PacketSha256")))
        about[0].text = _NO_DIGEST
    _exposure(about, subject.shot)
    _text(about, "film:Roll", roll.name)
    _text(about, "film:Process", roll.process.value)
    _text(about, "film:Format", roll.format_key)
    _text(about, "film:Strip", str(roll.strip_of(frame.number)))
    _text(about, "film:Frame", str(frame.number))
    _text(about, "film:Take", str(capture.take))
    _text(about, "film:State", frame.state.value)
    _text(about, "film:Choice", _choice(capture))
    _text(about, "film:Verdict", capture.verdict)
    _text(about, "film:RawSha256", capture.sha256)
    _text(about, "film:RollNotes", roll.notes)
    _text(about, "film:FrameNote", frame.note)
    _array(about, "film:Findings", "Seq", capture.facts.texts)
    settings = [
        f"{role}: {_date(value) if role == 'clock' else value}"
        for role, value in sorted(capture.settings.items())
        if role not in _OF_THE_DAY
    ]
    _array(about, "film:CameraSettings", "Bag", settings)


def _choice(capture: Capture) -> str:
    return {"chosen": "kept", "other": "not kept"}.get(capture.decision or "", "undecided")


def _date(seconds: str) -> str:
    """Return a camera's clock, in seconds since 1970, as a date; other words stay as they are."""
    if not (seconds.isdecimal() and len(seconds) <= _SECONDS_DIGITS):
        return seconds
    return datetime.fromtimestamp(int(seconds), UTC).isoformat()


def _exposure(about: ET.Element, shot: ShotFacts | None) -> None:
    if shot is None:
        return
    _text(about, "tiff:Make", shot.make or "")
    _text(about, "tiff:Model", shot.model or "")
    for name, value in (
        ("exif:ExposureTime", shot.seconds),
        ("exif:FNumber", shot.f_number),
        ("exif:FocalLength", shot.focal_length),
    ):
        if value is not None:
            ratio = Fraction(value).limit_denominator(100_000)
            _text(about, name, f"{ratio.numerator}/{ratio.denominator}")
    if shot.iso is not None:
        _array(about, "exif:ISOSpeedRatings", "Seq", [str(round(shot.iso))])


def _name(short: str) -> str:
    prefix, _, local = short.partition(":")
    return f"{{{NAMESPACES[prefix]}}}{local}"


def _text(parent: ET.Element, name: str, text: str) -> None:
    if text:
        ET.SubElement(parent, _name(name)).text = printable(text, 5000)


def _language(parent: ET.Element, name: str, text: str) -> None:
    """Add a language alternative with the default language only."""
    alternatives = ET.SubElement(ET.SubElement(parent, _name(name)), _name("rdf:Alt"))
    item = ET.SubElement(alternatives, _name("rdf:li"), {_XML_LANG: "x-default"})
    item.text = printable(text, 5000)


def _array(parent: ET.Element, name: str, kind: str, items: list[str] | tuple[str, ...]) -> None:
    if not items:
        return
    array = ET.SubElement(ET.SubElement(parent, _name(name)), _name(f"rdf:{kind}"))
    for item in items:
        ET.SubElement(array, _name("rdf:li")).text = printable(item, 1000)
