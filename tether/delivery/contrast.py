"""The contrast of positives as it is chosen at the bench: a delivery remembers and uses it."""

from __future__ import annotations

from dataclasses import replace

from tether.archive.open_roll import OpenRoll
from tether.delivery.folder import Choice, DeliveredFolder, DeliveryOptions, choices_with
from tether.errors import TetherError
from tether.settings import PositiveSettings

STEPS = ("soft", "normal", "hard")


def _folder(roll: OpenRoll) -> DeliveredFolder:
    here = roll.roll
    root = roll.archive.folder(here) / "delivered"
    return DeliveredFolder(root, here.name, here.description.former_names)


def contrast_of(roll: OpenRoll, frame: int) -> str:
    """Return the contrast that was chosen for a frame, see `tether.positive.rendering.CONTRASTS`.

    The usual one where that cannot be read.
    """
    try:
        return _folder(roll).read().choices.get(frame, Choice()).contrast
    except TetherError:
        return Choice().contrast


def next_contrast(contrast: str) -> str:
    """Return the one that a key goes on to: from soft to hard, then soft again."""
    return STEPS[(STEPS.index(contrast) + 1) % len(STEPS)] if contrast in STEPS else "normal"


def choose_contrast(roll: OpenRoll, contrast: str, frame: int | None) -> None:
    """Remember a contrast for a frame, None for all frames of the roll.

    Raises
    ------
    TetherError
        When it cannot be written, or a delivery is under way.
    """
    folder, options = _folder(roll), DeliveryOptions(contrasts={frame or 0: contrast})
    numbers = range(1, roll.roll.frames_expected + 1)
    with folder.held():
        record = folder.read()
        record.choices = choices_with(record.choices, options, roll.roll, numbers)
        folder.write(record)


def graded(settings: PositiveSettings, contrast: str) -> PositiveSettings:
    """Return the settings of a small positive in a contrast; "own" is shown as normal."""
    named = {"soft": settings.soft_contrast, "hard": settings.hard_contrast}
    return replace(settings, contrast=named.get(contrast, settings.contrast))
