"""A caution for health, fire or damage: its mark, which nothing else has, and who comes first."""

from __future__ import annotations

from rich.text import Text

from tether.bench.steps import DEFERRING


def caution(words: str) -> Text:
    """Return a caution as a line of its own."""
    return Text.assemble(
        ("⚠ CAUTION", "bold reverse yellow"), (f" {words} {DEFERRING}\n", "bold yellow")
    )
