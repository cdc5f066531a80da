"""XMP packets (ISO 16684-1): beside each raw file, and inside each positive.

Written with the standard library: the packages for it on the Python Package Index bring or need
a native library of their own.
"""

from __future__ import annotations

import hashlib
import re
import xml.etree.ElementTree as ET
from base64 import urlsafe_b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from tether.archive.records import Capture, Frame, Roll
from tether.description import JOINERS
from tether.film_date import calendar_date
from tether.positive.exif import SOFTWARE, ShotFacts
from tether.positive.raw_positive.placing import orientation
from tether.text import printable

#: Where general tools look: properties and their namespaces are those of ISO 16684-1, of XMP
#: specification part 2 and of the IPTC Photo Metadata Standard 2023.2. ``film`` is this
#: program's own, under a name that nobody can own (RFC 2606).
NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "stRef": "http://ns.adobe.com/xap/1.0/sType/ResourceRef#",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
    "film": "http://ns.tether.invalid/film/1.0/",
}

_OF_THE_DAY = ("battery", "capture target", "clock")
"""Roles that say nothing of the picture."""

_SOURCE_TYPES = "http://cv.iptc.org/newscodes/digitalsourcetype/"
"""The IPTC's list of what a digital picture comes from."""

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

    @property
    def date(self) -> str:
        """When the film was exposed, as it was given (EDTF)."""
        return self.frame.description.date or self.roll.description.date

    @property
    def day(self) -> str:
        """The day on which the film was exposed, "" where it is not known for certain."""
        found = calendar_date(self.date) if self.date else None
        return found.text() if found is not None and found.day is not None and found.sure else ""

    @property
    def place(self) -> str:
        """Where it was exposed."""
        return self.frame.description.place or self.roll.description.place

    @property
    def people(self) -> tuple[str, ...]:
        """Who is on it."""
        both = (*self.roll.description.people, *self.frame.description.people)
        return tuple(dict.fromkeys(both))


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


def client_packet(subject: Subject) -> bytes:
    """Return the packet for inside a client's picture: as `positive_packet`, without findings."""
    return _packet(subject, 1, subject.capture.file_name, workshop=False)


def raw_positive_packet(subject: Subject, lies: int, form: str, gamma: str) -> bytes:
    """Return the packet for inside a raw positive, with its orientation, form and gamma."""
    return _packet(subject, lies, subject.capture.file_name, form, gamma)


def description(subject: Subject) -> str:
    """Return one line that says what the picture is."""
    roll, frame = subject.roll, subject.frame
    line = f"{roll.name}, frame {frame.number} ({roll.process.label}, {roll.film_format.label})"
    return _line(". ".join(filter(None, (frame.description.caption, line, frame.note))))


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
        *roll.description.keywords,
        *subject.frame.description.keywords,
    )
    return tuple(dict.fromkeys(_line(word, 300) for word in words))


def identifier(sha256: str) -> str:
    """Return the name of a file by its SHA-256 (RFC 6920)."""
    digest = urlsafe_b64encode(bytes.fromhex(sha256)).decode("ascii").rstrip("=")
    return f"ni:///sha-256;{digest}"


def without_version(packet: bytes) -> str:
    """Return a packet as text that a newer release of the program does not change."""
    return packet.decode("utf-8").replace(SOFTWARE, "")


def _packet(
    subject: Subject,
    lies: int,
    source: str | None,
    form: str = "",
    gamma: str = "",
    *,
    workshop: bool = True,
) -> bytes:
    for prefix, uri in NAMESPACES.items():
        ET.register_namespace(prefix, uri)
    meta = ET.Element(_name("x:xmpmeta"))
    rdf = ET.SubElement(meta, _name("rdf:RDF"))
    about = ET.SubElement(rdf, _name("rdf:Description"), {_name("rdf:about"): ""})
    _fill(about, subject, lies, source)
    if workshop:
        _workshop(about, subject)
    _text(about, "film:RawPositive", form)
    _text(about, "film:RawPositiveGamma", gamma)
    ET.indent(meta, " ")
    text = ET.tostring(meta, encoding="unicode")
    return (_HEAD + text + _TAIL).encode("utf-8")


def _fill(about: ET.Element, subject: Subject, lies: int, source: str | None) -> None:
    roll, frame, capture = subject.roll, subject.frame, subject.capture
    if source is None:
        # First of all texts that could hold it, so that it is the one that is filled in.
        _text(about, "film:PacketSha256", _NO_DIGEST)
    _text(about, "tiff:Orientation", str(lies))
    _text(about, "xmp:CreatorTool", SOFTWARE)
    # The copying; of the film itself the dates are below.
    _text(about, "xmp:CreateDate", capture.taken_at)
    _language(about, "dc:title", f"{roll.name}, frame {frame.number}")
    _language(about, "dc:description", description(subject))
    _array(about, "dc:subject", "Bag", keywords(subject))
    _said(about, subject)
    kind = "negativeFilm" if roll.process.is_negative else "positiveFilm"
    _text(about, "Iptc4xmpExt:DigitalSourceType", _SOURCE_TYPES + kind)
    raw = identifier(capture.sha256)
    if source is None:
        _text(about, "xmpMM:DocumentID", raw)
    else:
        _text(about, "dc:source", source)
        derived = _resource(ET.SubElement(about, _name("xmpMM:DerivedFrom")))
        _text(derived, "stRef:documentID", raw)
        _text(derived, "stRef:filePath", source)
    _exposure(about, subject.shot)
    _own(about, subject)


def _said(about: ET.Element, subject: Subject) -> None:
    """Add what people say of roll and frame, where other programs look for it."""
    said = subject.roll.description
    _array(about, "dc:creator", "Seq", [said.photographer] if said.photographer else [])
    if said.rights:
        _language(about, "dc:rights", said.rights)
        _text(about, "xmpRights:Marked", "True")
    if subject.date and (date := calendar_date(subject.date)) is not None:
        _text(about, "photoshop:DateCreated", date.text())
    if subject.day:
        _text(about, "exif:DateTimeOriginal", subject.day)
    _text(about, "photoshop:Headline", said.subject)
    _text(about, "photoshop:Credit", said.organisation)
    _array(about, "Iptc4xmpExt:PersonInImage", "Bag", subject.people)
    if subject.place:
        _text(about, "Iptc4xmpCore:Location", subject.place)
        places = ET.SubElement(about, _name("Iptc4xmpExt:LocationCreated"))
        bag = ET.SubElement(places, _name("rdf:Bag"))
        place = _resource(ET.SubElement(bag, _name("rdf:li")))
        _language(place, "Iptc4xmpExt:LocationName", subject.place)
    if said.identifiers:
        _text(about, "dc:identifier", said.identifiers[0])


def _own(about: ET.Element, subject: Subject) -> None:
    """Add what no standard has a place for."""
    roll, frame, capture = subject.roll, subject.frame, subject.capture
    said = roll.description
    _text(about, "film:Roll", roll.name)
    _text(about, "film:Process", roll.process.value)
    _text(about, "film:Format", roll.format_key)
    _text(about, "film:Strip", str(roll.strip_of(frame.number)))
    _text(about, "film:Frame", str(frame.number))
    _text(about, "film:RawSha256", capture.sha256)
    _text(about, "film:Date", subject.date)
    _text(about, "film:Stock", said.film_stock)
    _text(about, "film:Camera", said.camera)
    _text(about, "film:Lens", said.lens)
    _text(about, "film:Development", said.development)
    _text(about, "film:Box", said.box)
    _text(about, "film:Sleeve", said.sleeve)
    _array(about, "film:Identifiers", "Bag", said.identifiers)


def _workshop(about: ET.Element, subject: Subject) -> None:
    """Add what the keeper wants to know, and a client does not."""
    frame, capture = subject.frame, subject.capture
    _text(about, "film:RollNotes", subject.roll.notes)
    _text(about, "film:FrameNote", frame.note)
    _text(about, "film:Take", str(capture.take))
    _text(about, "film:State", frame.state.value)
    _text(about, "film:Choice", _choice(capture))
    _text(about, "film:Verdict", capture.verdict)
    _array(about, "film:Findings", "Seq", capture.facts.texts)
    settings = [
        f"{role}: {value}"
        for role, value in sorted(capture.settings.items())
        if role not in _OF_THE_DAY
    ]
    _array(about, "film:CameraSettings", "Bag", settings)


def _choice(capture: Capture) -> str:
    return {"chosen": "kept", "other": "not kept"}.get(capture.decision or "", "undecided")


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


def _line(text: str, limit: int = 5000) -> str:
    """Return text that is safe to show; joiners (U+200C, U+200D) belong to several scripts."""
    safe = "".join(c if c in JOINERS else printable(c) for c in text)
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"


def _resource(parent: ET.Element) -> ET.Element:
    """Return an element for the properties of a structure."""
    return ET.SubElement(parent, _name("rdf:Description"))


def _text(parent: ET.Element, name: str, text: str) -> None:
    if text:
        ET.SubElement(parent, _name(name)).text = _line(text)


def _language(parent: ET.Element, name: str, text: str) -> None:
    """Add a language alternative with the default language only."""
    alternatives = ET.SubElement(ET.SubElement(parent, _name(name)), _name("rdf:Alt"))
    item = ET.SubElement(alternatives, _name("rdf:li"), {_XML_LANG: "x-default"})
    item.text = _line(text)


def _array(parent: ET.Element, name: str, kind: str, items: Sequence[str]) -> None:
    if not items:
        return
    array = ET.SubElement(ET.SubElement(parent, _name(name)), _name(f"rdf:{kind}"))
    for item in items:
        ET.SubElement(array, _name("rdf:li")).text = _line(item, 1000)
