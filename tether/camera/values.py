"""What cameras write for a shutter time, an aperture, a white balance, and what it means.

One parser for every wording that libgphoto2's drivers produce (``camlibs/ptp2/config.c`` and the
smaller drivers beside it). A function returns None for a wording that it cannot be sure of:
a caller then says "not known" instead of acting on a guess.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from enum import StrEnum

LONGEST_SECONDS = 36_000.0
_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_FRACTION = re.compile(rf"({_NUMBER}) ?/ ?({_NUMBER})")
_SPLIT = re.compile(r'(\d+)"(\d)')
_UNIT = re.compile(r'(?: ?(?:s|sec|secs|second|seconds)|")$')
_MARKS = str.maketrans(
    {
        "⁄": "/",
        "∕": "/",
        "／": "/",
        "″": '"',
        "”": '"',
        "“": '"',
        "＂": '"',
        "ƒ": "f",
        "\u00a0": " ",
        "\u202f": " ",
        "\t": " ",
    }
)


def _plain(text: str) -> str:
    return text.translate(_MARKS).replace("''", '"').replace("′′", '"').strip().lower()


def _float(text: str) -> float:
    return float(text.replace(",", "."))


NOMINAL_EV = 0.25
"""Stops by which a shutter's name and its real time may differ: 1/15 is 1/16 of a second."""


def same_time(first: float, second: float) -> bool:
    """Return whether two shutter times in seconds are one setting's name and its real time."""
    return abs(math.log2(first / second)) <= NOMINAL_EV


def shutter_seconds(text: str) -> float | None:
    """Return a shutter time in seconds, None for bulb, automatic and the unreadable.

    Reads ``1/60``, ``10/600``, ``1/2.5``, ``0.0167s``, ``1/60s``, ``1/30 second``, ``1.3"``,
    ``2"5`` (two and a half seconds) and ``30``.
    """
    plain = _plain(text)
    if match := _SPLIT.fullmatch(plain):
        return _sensible(float(f"{match[1]}.{match[2]}"))
    plain = _UNIT.sub("", plain)
    if match := _FRACTION.fullmatch(plain):
        below = _float(match[2])
        return _sensible(_float(match[1]) / below) if below else None
    if re.fullmatch(_NUMBER, plain):
        return _sensible(_float(plain))
    return None


def _sensible(seconds: float) -> float | None:
    return seconds if 0 < seconds <= LONGEST_SECONDS else None


def f_number(text: str) -> float | None:
    """Return an aperture as its f-number: ``f/8``, ``F8.0``, ``8``; None for ``auto`` and such."""
    match = re.fullmatch(rf"(?:f ?/? ?)?({_NUMBER})", _plain(text))
    value = _float(match[1]) if match else 0.0
    return value if 0.5 <= value <= 128 else None


def iso_speed(text: str) -> int | None:
    """Return an ISO speed: ``100``, ``ISO 100``; None for ``Auto``, ``Lo 1``, ``Hi 0.3``."""
    plain = _plain(text)
    match = re.match(r"(?:iso ?)?(\d{1,8})(?![\d.,])", plain)
    if not match or "auto" in plain:
        return None
    return int(match[1]) or None


class WhiteBalance(StrEnum):
    """How the camera balances colour. Every kind but AUTOMATIC stays as it is set."""

    AUTOMATIC = "automatic"
    DAYLIGHT = "daylight"
    CLOUDY = "cloudy"
    SHADE = "shade"
    TUNGSTEN = "tungsten"
    FLUORESCENT = "fluorescent"
    FLASH = "flash"
    PRESET = "preset"
    KELVIN = "colour temperature"
    OTHER = "other"

    @property
    def fixed(self) -> bool:
        """Whether it is the same for every picture."""
        return self is not WhiteBalance.AUTOMATIC


_WHITE: tuple[tuple[str, WhiteBalance], ...] = (
    # In this order: "Underwater: Auto" is automatic, "Fluorescent: Daylight" fluorescent. The
    # misspelling is one driver's own.
    (r"\bauto|^awb", WhiteBalance.AUTOMATIC),
    (r"flu?orescent|flourescent", WhiteBalance.FLUORESCENT),
    (r"daylight|^sun|^direct sun|fine weather", WhiteBalance.DAYLIGHT),
    (r"cloud|overcast", WhiteBalance.CLOUDY),
    (r"shade|shadow", WhiteBalance.SHADE),
    (r"tungsten|incandescent", WhiteBalance.TUNGSTEN),
    (r"flash|strobe", WhiteBalance.FLASH),
    (r"temperature|kelvin|^\d{4,5} ?k?$", WhiteBalance.KELVIN),
    (r"preset|manual|custom|white set|one.push", WhiteBalance.PRESET),
    (r"water|^off$|black", WhiteBalance.OTHER),
)


def white_balance(text: str) -> WhiteBalance | None:
    """Return the kind of white balance, None where the camera's wording says nothing.

    A one-push balance that also calls itself automatic counts as automatic, so that somebody
    looks.
    """
    plain = _plain(text)
    if re.match("unknown|missing|0x", plain):
        return None
    return next((kind for pattern, kind in _WHITE if re.search(pattern, plain)), None)


class ImageFormat(StrEnum):
    """Which files one exposure makes."""

    RAW = "raw"
    JPEG = "JPEG"
    RAW_AND_OTHER = "raw + JPEG"
    OTHER = "another format"

    @property
    def has_raw(self) -> bool:
        """Whether a raw file is among them."""
        return self in {ImageFormat.RAW, ImageFormat.RAW_AND_OTHER}

    @property
    def files(self) -> int:
        """How many files one exposure makes."""
        return 2 if self is ImageFormat.RAW_AND_OTHER else 1


_RAW = re.compile(r"\b[cms]?raw\d?\b|\b(?:nef|nrw|crw|cr2|cr3|arw|raf|orf|rw2|dng|pef)\b")
_JPEG = re.compile(
    r"\bjpe?g\b|^(?:light|standard|fine|extra fine|superfine|normal|basic|economy)$"
    r"|^c?[lms]\d?$"
)


def image_format(text: str) -> ImageFormat | None:
    """Return what a format or quality setting makes, None where the wording does not say.

    Reads ``NEF (Raw)``, ``NEF+Fine``, ``RAW + Large Fine JPEG``, ``Large Fine JPEG+RAW``,
    ``cRAW + cL``, ``RAW & HEIF``, ``JPEG Fine*``, ``Extra Fine``, ``RAW Only``.
    """
    plain = _plain(text)
    if _RAW.search(plain):
        two = re.search(r"[+&,]|\band\b", plain)
        return ImageFormat.RAW_AND_OTHER if two else ImageFormat.RAW
    if _JPEG.search(plain):
        return ImageFormat.JPEG
    if re.search(r"\btiff?\b|\bheif\b|\bhif\b|lossless", plain):
        return ImageFormat.OTHER
    return None


def focus_is_manual(text: str) -> bool | None:
    """Whether focus stays where a hand has put it; None where the wording does not say.

    A mode that focuses first and then lets a hand correct it (``DMF``, ``S-AF+MF``) is not manual.
    """
    plain = _plain(text)
    if re.search(r"\baf\b|auto|^dmf$|servo|one.shot|^ai ", plain):
        return False
    if re.search(r"manual|\bmf\b|preset focus", plain):
        return True
    return None


def exposure_is_manual(text: str) -> bool | None:
    """Whether a hand sets shutter and aperture; None where the wording does not say."""
    plain = _plain(text)
    if plain in {"m", "manual", "manual exposure", "manual mode"}:
        return True
    if not plain or plain.startswith(("unknown", "undefined", "0x")):
        return None
    return False


def battery_percent(text: str) -> float | None:
    """Return the battery's charge, 0..100; None where the camera does not say.

    ``Low`` counts as 5: the camera itself warns. ``Full`` counts as 100, ``Half`` as 50.
    """
    plain = _plain(text)
    words = {"low": 5.0, "empty": 0.0, "full": 100.0, "half": 50.0, "critical": 0.0}
    if plain in words:
        return words[plain]
    match = re.fullmatch(r"(\d+(?:\.\d+)?) ?%", plain)
    # One driver's arithmetic reaches 101 at full charge.
    return min(float(match[1]), 100.0) if match else None


def clock_seconds(text: str) -> int | None:
    """Return a camera's own time in seconds since 1970, as libgphoto2 writes it."""
    return int(text) if re.fullmatch(r"\s*\d{1,12}\s*", text) else None


class CaptureTarget(StrEnum):
    """Where the camera puts a picture that was fired from the computer."""

    CARD = "card"
    MEMORY = "memory"
    CARD_AND_COMPUTER = "card and computer"

    @property
    def keeps(self) -> bool:
        """Whether the picture is still there after the camera is disconnected."""
        return self is not CaptureTarget.MEMORY


def capture_target(text: str) -> CaptureTarget | None:
    """Return where pictures go: ``Memory card``, ``card``, ``Internal RAM``, ``card+sdram``."""
    plain = _plain(text)
    memory = re.search(r"\bs?d?ram\b|internal|computer|\bpc\b", plain)
    if re.search(r"\bcards?\b", plain):
        return CaptureTarget.CARD_AND_COMPUTER if memory else CaptureTarget.CARD
    return CaptureTarget.MEMORY if memory else None


def nearest(
    choices: Iterable[str], wanted: float, read: Callable[[str], float | None]
) -> str | None:
    """Return the choice whose value lies nearest to ``wanted``, measured in stops.

    Choices that ``read`` returns None for are passed over; the first of several equally near
    ones is returned. None where nothing is left.
    """
    if not (math.isfinite(wanted) and wanted > 0):
        return None
    known = [(choice, value) for choice in choices if (value := read(choice)) is not None]
    return min(known, key=lambda item: abs(math.log2(item[1] / wanted)), default=(None, 0.0))[0]


def nearest_shutter(choices: Iterable[str], seconds: float) -> str | None:
    """Return the camera's own shutter setting that comes nearest to ``seconds``."""
    return nearest(choices, seconds, shutter_seconds)


def shifted_shutter(choices: Iterable[str], current: str, stops: float) -> str | None:
    """Return the setting nearest to ``stops`` more light than ``current`` (negative: less).

    None where ``current`` cannot be read (bulb, automatic) or no choice can.
    """
    seconds = shutter_seconds(current)
    return None if seconds is None else nearest_shutter(choices, seconds * 2**stops)
