"""A screen is stored at a second size only where it says more there."""

from __future__ import annotations

import re
from pathlib import Path

from tests.snapshots.conftest import ROOMY
from tests.snapshots.what_changed import lines_of

STORED = Path(__file__).parent / "__snapshots__"


def words(picture: Path) -> set[str]:
    return set(re.findall(r"\w{2,}", " ".join(lines_of(picture.read_text(encoding="utf-8")))))


def test_the_second_picture_of_a_screen_says_more() -> None:
    roomy = {path.name.partition("[")[0]: path for path in STORED.rglob("*120x40*.svg")}
    assert set(roomy) == ROOMY
    for name, path in roomy.items():
        least = path.with_name(path.name.replace("120x40", "80x24"))
        assert words(path) - words(least), f"{name} says at 120 by 40 what it says at 80 by 24"
