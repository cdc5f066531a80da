"""One page about a roll that opens from disk: no network, no script.

Its markup is in ``page.html``, its style in ``style.css``. Whatever the markup shows is escaped by
Jinja and goes through `printable` first: nothing from outside becomes markup or steers a reader.
"""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tether import __version__
from tether.archive.records import Capture, Frame, Roll
from tether.delivery.folder import strips_of
from tether.delivery.page.plots import capture_histogram, roll_plots
from tether.delivery.xmp import Subject
from tether.description import ROLL_FIELDS
from tether.positive.flat_field import FlatField
from tether.settings import DeliverySettings
from tether.text import megabytes, plural, printable

#: Those of the picture; battery, card and the like are in the JSON beside the page.
_SETTINGS = ("shutter", "aperture", "iso", "white balance", "clock")

#: More digits than these are no date that a calendar has.
_SECONDS_DIGITS = 11


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What the page shows.

    ``positives`` maps a raw file's name to its positive beside the page, ``pictures`` to its
    small picture, which is put into the page; ``intact`` tells whether a raw file's SHA-256 was
    found as recorded in this delivery, ``crops`` how its positive was
    cropped, ``contrasts`` its contrast if that was chosen, ``raw_positives`` which raw positive it
    has. ``log`` is (time,
    frame, kind, text). ``flat`` is the light that positives were corrected for, ``base_target``
    where the base of a negative should lie, in stops from saturation.
    """

    roll: Roll
    frames: Sequence[Frame]
    positives: Mapping[str, str]
    pictures: Mapping[str, Path]
    intact: Mapping[str, bool]
    log: Sequence[tuple[str, int | None, str, str]]
    trouble: tuple[str, ...] = ()
    other_files: tuple[str, ...] = ()
    crops: Mapping[str, str] = field(default_factory=dict)
    raw_positives: Mapping[str, str] = field(default_factory=dict)
    contrasts: Mapping[str, str] = field(default_factory=dict)
    flat: FlatField | None = None
    base_target: float = -0.5


def page(facts: PageFacts) -> str:
    """Return the page, HTML 5."""
    roll, frames = facts.roll, facts.frames
    form = roll.film_format
    environment = _environment()
    environment.filters |= {
        "address": quote,
        "choice": lambda c: {"chosen": "kept", "other": "not kept"}.get(c.decision, "undecided"),
        "histogram": capture_histogram,
        "inlined": _inlined,
        "megabytes": megabytes,
        "plural": plural,
        "svg": lambda tree: Markup(ET.tostring(tree, encoding="unicode", method="html")),
        "terms": lambda capture: _terms(facts, capture),
    }
    return environment.get_template("page.html").render(
        version=__version__,
        said=[(ROLL_FIELDS[key].words, text) for key, text in roll.description.texts().items()],
        roll=roll,
        frames=frames,
        strips=strips_of(roll, frames),
        shape=f"{form.picture_along:g}/{form.picture_across:g}",
        positives=facts.positives,
        pictures=facts.pictures,
        intact=facts.intact,
        log=facts.log,
        trouble=facts.trouble,
        other_files=facts.other_files,
        plots=roll_plots(roll, frames, facts.base_target, facts.flat),
    )


@dataclass(frozen=True, slots=True)
class ClientPicture:
    """A picture that a client gets: its frame, its files in the delivery, and its new name."""

    subject: Subject
    positive: Path
    small: Path
    name: str

    @property
    def caption(self) -> str:
        """What the frame shows, in a person's words."""
        return self.subject.frame.description.caption


def client_page(roll: Roll, pictures: Sequence[ClientPicture], house: DeliverySettings) -> str:
    """Return the page for a client: pictures, captions, numbers, rights, and how to order."""
    environment = _environment()
    environment.filters |= {"address": quote, "inlined": _inlined, "plural": plural}
    return environment.get_template("client.html").render(
        version=__version__,
        roll=roll,
        said=roll.description,
        pictures=pictures,
        house=house,
    )


def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        finalize=_safe,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _safe(value: object) -> object:
    """Make text safe to show; what is markup already was made here."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return printable(value, 5000)
    return value


def _inlined(picture: Path) -> Markup:
    """Return a JPEG as an address that holds it."""
    data = base64.b64encode(picture.read_bytes()).decode("ascii")
    return Markup("data:image/jpeg;base64,") + data


def _terms(facts: PageFacts, capture: Capture) -> list[tuple[str, str]]:
    """Return the rows of a take's list: its files, and the camera's settings."""
    name, base = capture.file_name, capture.facts.seen_base_ev
    unseen = "not in view" if capture.facts.base_source else ""
    rows = [
        ("File", name),
        ("Taken", _time(capture.taken_at)),
        ("Positive", facts.positives.get(name, "")),
        ("Raw positive", facts.raw_positives.get(name, "")),
        ("Crop", facts.crops.get(name, "")),
        ("Contrast", facts.contrasts.get(name, "")),
        ("Film base", unseen if base is None else f"{base:+.2f} stops from clipping"),
    ]
    settings = [
        _setting(role, capture.settings[role]) for role in _SETTINGS if role in capture.settings
    ]
    return [row for row in rows if row[1]] + settings


def _time(text: str) -> str:
    """Return a stored time as a person reads it; one that cannot be read stays as it is."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    return f"{at:%Y-%m-%d %H:%M:%S}{' UTC' if at.utcoffset() == timedelta(0) else ''}"


def _setting(role: str, value: str) -> tuple[str, str]:
    """Return the words for a setting; a clock that gives seconds since 1970 is a date to read."""
    if role == "iso":
        return "ISO", value
    if role == "clock" and value.isdecimal() and len(value) <= _SECONDS_DIGITS:
        return "Camera's clock", _time(datetime.fromtimestamp(int(value), UTC).isoformat())
    return role.capitalize(), value
