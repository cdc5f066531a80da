"""What the pages say about health, fire and the only copy of a picture: facts, not only words.

The facts follow published guidance, which docs/cautions.md names with how each was checked: the
British Health and Safety Executive's leaflet INDG469 (nitrate: catches fire very easily, poisonous
smoke), NFPA 40 as quoted (burns without air), IEC 62471 (bright light).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", *sorted(DOCS.rglob("*.md"))]

DEFERRING = "Product safety sheets, local rules and qualified people come first."
ERASING = "Don't erase a card until its pictures are in the archive and verified (`tether verify`)."


def text(page: Path) -> str:
    """Return a page in one line, so that a sentence may run over a line's end."""
    return " ".join(page.read_text(encoding="utf-8").split())


@pytest.mark.parametrize(
    "fact",
    [
        # what to do when it burns
        "everyone out, shut the door, call the fire service from outside",
        "Do not fight it, do not breathe the smoke",
        "It burns without air, so covering it does not put it out",
        # what the edge says, and when in doubt
        "**NITRATE** means nitrate",
        "Treat old film without SAFETY as nitrate",
        "before about 1952",
        "When in doubt, stop",
        "Decayed rolls in closed tins have caught fire by themselves after days above 38 °C",
        "vinegar",
        "If you have asthma",
        "Household solvents such as acetone can dissolve film",
        "Wear the gloves that the product's sheet names",
        "Let the film dry before it goes near the lamp",
        "leave no frame in the gate longer than you need",
        "Stay with a lamp that is on",
        "never lift it with the camera on",
        "Look away into the distance every 20 minutes",
        "Cap the lens when you leave",
        "Dry your hands before you touch plugs",
        "residual-current device",
        "Unplug it before you change it",
        "capacitor stays charged",
        "seizures",
        "INDG469",
        "NFPA 40",
        "IEC 62471",
    ],
)
def test_the_cautions_say_it(fact: str) -> None:
    assert fact in text(DOCS / "cautions.md")


def test_film_is_looked_at_before_a_lamp_is_on() -> None:
    cautions = text(DOCS / "cautions.md")
    assert cautions.index("Cellulose nitrate film") < cautions.index("## While the lamp is on")
    first_roll = text(DOCS / "first-roll-of-real-film.md")
    assert first_roll.index("NITRATE") < first_roll.index("Switch the lamp on")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_no_page_sends_an_eye_to_a_lamp(page: Path) -> None:
    said = text(page)
    for sentence in re.split(r"(?<=[.!?])\s", said):
        if "viewfinder" in sentence:
            assert re.search(r"\b[Nn]ever\b", sentence), sentence
    for words in ("against the lamp", "against the light", "up to a lamp", "toward the lamp"):
        assert words not in said


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_cautions_defer_in_one_sentence(page: Path) -> None:
    said = text(page)
    for sentence in re.split(r"(?<=[.!?])\s", said):
        if re.search(r"local rules.*qualified", sentence):
            assert DEFERRING in sentence, sentence


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_when_a_card_may_be_erased_is_one_sentence(page: Path) -> None:
    for sentence in re.split(r"(?<=[.!?])\s", text(page)):
        if re.search(
            r"\b[Ee]rase (?:a|the|no|none|its|your)\b.*\b(?:until|unless|whose)\b", sentence
        ):
            assert ERASING in sentence, sentence


def test_the_pages_about_cards_have_the_sentence() -> None:
    for name in ("when-to-erase-a-card", "how-to-resume", "first-roll-of-real-film"):
        assert ERASING in text(DOCS / f"{name}.md"), name
