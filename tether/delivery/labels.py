"""What a positive says of itself, for the formats that have a place for it."""

from __future__ import annotations

import math
from datetime import datetime
from statistics import median

from tether.delivery.folder import ChosenFile, DeliveryState
from tether.delivery.xmp import (
    Subject,
    client_packet,
    description,
    positive_packet,
    raw_positive_packet,
)
from tether.positive.exif import Labels
from tether.positive.raw_positive.placing import orientation
from tether.positive.rendering import Rendering, outline_of


def subject_of(state: DeliveryState, file: ChosenFile) -> Subject:
    """Return what a packet about a chosen file is about."""
    return Subject(state.roll, file.frame, file.capture, file.shot)


def positive_labels(state: DeliveryState, file: ChosenFile, rendering: Rendering) -> Labels:
    """Return the labels of a JPEG and a TIFF."""
    subject = subject_of(state, file)
    per_inch = photosites_per_inch(state, file)
    if per_inch is not None and rendering.half:
        per_inch /= 2
    return _labels(subject, description(subject), per_inch, positive_packet(subject))


def client_labels(subject: Subject, per_inch: float | None) -> Labels:
    """Return the labels of a picture for a client, without what concerns the workshop."""
    return _labels(subject, description(subject), per_inch, client_packet(subject))


def raw_positive_labels(
    state: DeliveryState, file: ChosenFile, rendering: Rendering, form: str
) -> Labels:
    """Return the labels of a raw positive."""
    subject = subject_of(state, file)
    lies = orientation(rendering.turn, mirrored=rendering.mirrored)
    gamma = f"{rendering.settings.contrast:.2f}" if rendering.process.is_negative else ""
    packet = raw_positive_packet(subject, lies, form, gamma)
    per_inch = photosites_per_inch(state, file)
    return _labels(subject, f"{description(subject)}.", per_inch, packet)


def _labels(subject: Subject, words: str, per_inch: float | None, packet: bytes) -> Labels:
    said = subject.roll.description
    return Labels(
        description=words,
        shot=subject.shot or Labels().shot,
        artist=said.photographer,
        rights=said.rights,
        exposed=subject.day,
        copied=subject.capture.taken_at,
        per_inch=None if per_inch is None else round(per_inch, 1),
        xmp=packet,
    )


def photosites_per_inch(state: DeliveryState, file: ChosenFile) -> float | None:
    """Return the photosites along an inch of film.

    From the edges of the frame; where they were not found, the median of the roll's others. None
    where no frame's were found.
    """
    film = state.roll.film_format
    width_mm = film.picture_across if state.film_turn else film.picture_along
    found = {
        other.capture.id: math.dist(outline[0], outline[1]) / width_mm * 25.4
        for other in state.files
        if (outline := outline_of(other.capture.facts.framing)) is not None
    }
    return found.get(file.capture.id, median(found.values()) if found else None)


_ZONE = 900.0
"""Seconds: offsets of time zones are whole quarters of an hour, up to `_FURTHEST` of them."""
_FURTHEST = 14 * 3600.0


def clocks_that_differ(state: DeliveryState, tolerance: float) -> str:
    """Return a sentence on a camera's clock that was not the computer's, "" where all is well.

    ``tolerance`` is in seconds. A camera's time has no offset: one that is a time zone away is
    taken to be right.
    """
    worst, frame = 0.0, 0
    for file in state.files:
        try:
            camera = datetime.strptime(file.shot.taken or "", "%Y:%m:%d %H:%M:%S")
            ours = datetime.fromisoformat(file.capture.taken_at).replace(tzinfo=None)
        except ValueError:
            continue
        away = (camera - ours).total_seconds()
        if abs(away) <= _FURTHEST + tolerance:
            away -= round(away / _ZONE) * _ZONE
        if abs(away) > max(tolerance, abs(worst)):
            worst, frame = away, file.frame.number
    if not frame:
        return ""
    days, rest = divmod(abs(round(worst)), 86_400)
    apart = f"{days} days" if days > 1 else f"{days * 24 + rest // 3600} h {rest % 3600 // 60} min"
    return (
        f"The camera's clock was {apart} {'ahead of' if worst > 0 else 'behind'} the computer's at "
        f"frame {frame}. The dates in the files are the computer's. Set the camera's clock before "
        "the next roll."
    )
