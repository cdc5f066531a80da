"""The tree that a page is built as, and written by the standard library.

That escapes every text and attribute; nothing from outside is ever put into markup by hand.
"""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

from tether.text import printable


def table(section: ET.Element, caption: str, columns: Sequence[str]) -> ET.Element:
    """Add a table with a caption and a head, and return its body."""
    # A table that scrolls has to be reachable by keyboard (WCAG 2.1.1).
    box = add(section, "div", cls="wide", tabindex="0", role="region", aria_label=caption[:60])
    whole = add(box, "table")
    add(whole, "caption", caption)
    row = add(add(whole, "thead"), "tr")
    for name in columns:
        add(row, "th", name, scope="col")
    return add(whole, "tbody")


def section(main: ET.Element, name: str, heading: str) -> ET.Element:
    """Add a section with its heading; ``name`` is what links to it."""
    part = add(main, "section", id=name, aria_labelledby=f"{name}-heading")
    add(part, "h2", heading, id=f"{name}-heading")
    return part


def data(path: Path) -> str:
    """Return a JPEG as an address that holds it."""
    return "data:image/jpeg;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def add(parent: ET.Element, tag: str, text: str = "", **attributes: str) -> ET.Element:
    """Add an element; ``cls`` stands for class, underscores in names for dashes."""
    names = {"cls": "class"}
    given = {
        names.get(key, key.replace("_", "-")): value if key == "src" else printable(value, 2000)
        for key, value in attributes.items()
    }
    element = ET.SubElement(parent, tag, given)
    if text:
        # A style sheet is our own text and is written as it stands.
        element.text = text if tag == "style" else printable(text, 5000)
    return element
