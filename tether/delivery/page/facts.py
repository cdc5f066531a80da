"""What the page about a roll shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tether.archive.records import Frame, Roll
from tether.positive.flat_field import FlatField


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What the page shows.

    ``positives`` maps a raw file's name to its positive beside the page, ``pictures`` to its
    small picture, which is put into the page; ``intact`` tells whether a raw file's SHA-256 was
    found as recorded in this delivery, ``crops`` how its positive was cropped. ``log`` is (time,
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
    flat: FlatField | None = None
    base_target: float = -0.5
