"""One page about a roll that opens from disk: no network, no script.

The page is built as a tree and written by the standard library, which escapes every text and
attribute; nothing from outside is ever put into markup by hand.
"""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tether.report.page_style import CSS
from tether.report.plots import histogram, line_plot
from tether.report.sidecar import finding_texts
from tether.session.roll import Capture, Frame, FrameState, Roll
from tether.text import megabytes, plural, printable

#: Nothing is loaded but what is in the page, and pictures beside it.
_POLICY = "default-src 'none'; img-src data: 'self'; style-src 'unsafe-inline'"

_VERDICTS = {
    "keep": "■ keep",
    "look": "△ look",
    "reshoot": "⊠ reshoot",
    "unjudged": "? not judged",
}


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What the page shows.

    ``positives`` maps a raw file's name to its positive beside the page, ``pictures`` to its
    small picture, which is put into the page; ``intact`` tells whether a raw file's SHA-256 was
    found as recorded in this delivery. ``log`` is (time, frame, kind, text).
    """

    roll: Roll
    frames: Sequence[Frame]
    positives: Mapping[str, str]
    pictures: Mapping[str, Path]
    intact: Mapping[str, bool]
    log: Sequence[tuple[str, int | None, str, str]]
    trouble: tuple[str, ...] = ()
    other_files: tuple[str, ...] = ()


def page(facts: PageFacts) -> str:
    """Return the page, HTML 5."""
    root = ET.Element("html", {"lang": "en"})
    head = _add(root, "head")
    _add(head, "meta", charset="utf-8")
    _add(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    meta = _add(head, "meta", content=_POLICY)
    meta.set("http-equiv", "Content-Security-Policy")
    _add(head, "title", f"{facts.roll.name}: {plural(len(facts.frames), 'frame')}")
    _add(head, "style", CSS)
    body = _add(root, "body")
    _add(body, "a", "Skip to the frames", href="#contact", cls="skip")
    _header(body, facts)
    main = _add(body, "main")
    _trouble(main, facts.trouble)
    _contact(main, facts)
    _plots(main, facts)
    _frames(main, facts)
    _fixity(main, facts)
    _log(main, facts.log)
    return "<!DOCTYPE html>\n" + ET.tostring(root, encoding="unicode", method="html") + "\n"


def _header(body: ET.Element, facts: PageFacts) -> None:
    roll = facts.roll
    header = _add(body, "header")
    _add(header, "h1", roll.name)
    kept = sum(f.state is FrameState.KEPT for f in facts.frames)
    strips = plural(roll.strips, "strip") if roll.strip_length else "not cut"
    _add(
        header,
        "p",
        f"{roll.process.label.capitalize()}, {roll.film_format.label}; {strips}; "
        f"{kept} of {plural(len(facts.frames), 'frame')} kept.",
        cls="quiet",
    )
    if roll.notes:
        _add(header, "p", roll.notes)
    nav = _add(header, "nav", aria_label="Parts of this page")
    items = _add(nav, "ul")
    for part, words in (
        ("contact", "Contact sheet"), ("over", "Over the roll"), ("frames", "Frames"),
        ("fixity", "Fixity"), ("log", "Log"),
    ):  # fmt: skip
        _add(_add(items, "li"), "a", words, href=f"#{part}")


def _trouble(main: ET.Element, trouble: Sequence[str]) -> None:
    if not trouble:
        return
    section = _add(main, "section", cls="trouble", aria_label="Trouble")
    _add(section, "h2", "To look into")
    items = _add(section, "ul")
    for text in trouble:
        _add(items, "li", text)


def _contact(main: ET.Element, facts: PageFacts) -> None:
    section = _section(main, "contact", "Contact sheet")
    if facts.other_files:
        line = _add(section, "p", "To print: ", cls="quiet")
        for name in facts.other_files:
            link = _add(line, "a", name, href=quote(name))
            link.tail = " "
    by_number = {f.number: f for f in facts.frames}
    done: set[int] = set()
    strips = [facts.roll.frames_of(s) for s in range(1, facts.roll.strips + 1)]
    last = max(by_number, default=0)
    if last > facts.roll.frames_expected:
        strips.append(range(facts.roll.frames_expected + 1, last + 1))
    columns = facts.roll.strip_length or 6
    form = facts.roll.film_format
    shape = f"{form.picture_along:g}/{form.picture_across:g}"
    for strip in strips:
        frames = [by_number[n] for n in strip if n in by_number and n not in done]
        done |= {f.number for f in frames}
        row = _add(section, "ul", cls="strip", style=f"--n: {columns}; --shape: {shape}")
        for frame in frames:
            _figure(_add(row, "li"), facts, frame)


def _figure(item: ET.Element, facts: PageFacts, frame: Frame) -> None:
    figure = _add(item, "figure")
    chosen = frame.chosen
    picture = facts.pictures.get(chosen.file_name) if chosen else None
    if chosen and picture:
        words = f"Positive of frame {frame.number}" + (f": {frame.note}" if frame.note else "")
        link = _add(figure, "a", href=quote(facts.positives[chosen.file_name]))
        _add(link, "img", src=_data(picture), alt=words, loading="lazy")
    else:
        _add(figure, "div", f"{frame.state.value}, no picture", cls="none")
    caption = _add(figure, "figcaption")
    _add(caption, "a", f"{frame.number}", href=f"#frame-{frame.number}").tail = (
        f" {frame.state.mark} {frame.state.value}"
        + (f" · {_VERDICTS.get(chosen.verdict, chosen.verdict)}" if chosen else "")
    )


def _plots(main: ET.Element, facts: PageFacts) -> None:
    section = _section(main, "over", "Over the roll")
    chosen = [(f.number, f.chosen) for f in facts.frames if f.chosen]
    last = max((f.number for f in facts.frames), default=1)
    any_plot = False
    for key, title, unit in (
        ("base_ev", "Film base, stops from saturation", "stops"),
        ("sharpness", "Sharpness of the grain", "relative"),
        ("rotation_degrees", "Rotation of the frame", "degrees"),
    ):
        values = {n: v for n, c in chosen if (v := _number_in(c.facts, key)) is not None}
        if values:
            any_plot = True
            _add(section, "h3", title)
            section.append(line_plot(values, title, unit, last))
    if not any_plot:
        _add(section, "p", "Nothing was measured over the roll.", cls="quiet")


def _number_in(facts: Mapping[str, Any], key: str) -> float | None:
    """Find a number among the measured facts, or among those about the framing."""
    framing = facts.get("framing")
    value: Any = facts.get(key)
    if value is None and isinstance(framing, Mapping):
        value = framing.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _frames(main: ET.Element, facts: PageFacts) -> None:
    section = _section(main, "frames", "Frames")
    for frame in facts.frames:
        words = f"Frame {frame.number}: {frame.state.mark} {frame.state.value}"
        article = _add(section, "article", id=f"frame-{frame.number}")
        _add(article, "h3", words + (f". {frame.note}" if frame.note else ""))
        for capture in frame.captures:
            _take(article, facts, frame, capture)
        if not frame.captures:
            _add(article, "p", "No raw file.", cls="quiet")


def _take(article: ET.Element, facts: PageFacts, frame: Frame, capture: Capture) -> None:
    chosen = {"chosen": "chosen", "other": "not chosen"}.get(capture.decision or "", "undecided")
    verdict = _VERDICTS.get(capture.verdict, capture.verdict)
    details = _add(article, "details")
    _add(details, "summary", f"Take {capture.take}: {verdict}; {chosen}")
    grid = _add(details, "div", cls="frame")
    left = _add(grid, "div")
    findings = finding_texts(capture)
    if findings:
        items = _add(left, "ul")
        for text in findings:
            _add(items, "li", text)
    else:
        _add(left, "p", "Nothing to object to.")
    pairs = _add(left, "dl")
    rows = [("File", capture.file_name), ("Taken", capture.taken_at)]
    if capture.file_name in facts.positives:
        rows.append(("Positive", facts.positives[capture.file_name]))
    rows += [(role.capitalize(), value) for role, value in sorted(capture.settings.items())]
    for term, value in rows:
        _add(pairs, "dt", term)
        _add(pairs, "dd", value)
    counts = capture.facts.get("histogram")
    right = _add(grid, "div")
    if isinstance(counts, Mapping) and isinstance(counts.get("counts"), Mapping):
        channels = {
            printable(str(name), 12): [float(v) for v in values]
            for name, values in counts["counts"].items()
            if isinstance(values, list)
        }
        title = f"Histogram of frame {frame.number}, take {capture.take}"
        lowest, size = float(counts.get("lowest_ev", -10)), float(counts.get("bin_ev", 0.25))
        right.append(histogram(channels, lowest, size, title))
        _add(right, "p", "Green whole line, red dashed, blue dotted.", cls="quiet")


def _fixity(main: ET.Element, facts: PageFacts) -> None:
    section = _section(main, "fixity", "Fixity")
    table = _table(
        section,
        "Every raw file of the roll with its SHA-256 as recorded on arrival. 'Checked' is what "
        "this delivery found; it reads the chosen files only.",
        ("Frame", "File", "Size", "SHA-256", "Checked"),
    )
    for frame in facts.frames:
        for capture in frame.captures:
            intact = facts.intact.get(capture.file_name)
            found = {True: "as recorded", False: "differs or cannot be read", None: "not read"}
            row = _add(table, "tr")
            _add(row, "th", str(frame.number), scope="row")
            _add(row, "td", capture.file_name)
            _add(row, "td", megabytes(capture.size), cls="nobreak")
            _add(_add(row, "td"), "code", capture.sha256)
            _add(row, "td", found[intact])


def _log(main: ET.Element, lines: Sequence[tuple[str, int | None, str, str]]) -> None:
    section = _section(main, "log", "Log")
    table = _table(section, "What was done, oldest first.", ("Time (UTC)", "Frame", "Kind", "What"))
    for at, frame, kind, text in lines:
        row = _add(table, "tr")
        _add(row, "th", at[:19].replace("T", " "), scope="row", cls="nobreak")
        _add(row, "td", "" if frame is None else str(frame))
        _add(row, "td", kind)
        _add(row, "td", text)


def _table(section: ET.Element, caption: str, columns: Sequence[str]) -> ET.Element:
    # A table that scrolls has to be reachable by keyboard (WCAG 2.1.1).
    box = _add(section, "div", cls="wide", tabindex="0", role="region", aria_label=caption[:60])
    table = _add(box, "table")
    _add(table, "caption", caption)
    row = _add(_add(table, "thead"), "tr")
    for name in columns:
        _add(row, "th", name, scope="col")
    return _add(table, "tbody")


def _section(main: ET.Element, name: str, heading: str) -> ET.Element:
    section = _add(main, "section", id=name, aria_labelledby=f"{name}-heading")
    _add(section, "h2", heading, id=f"{name}-heading")
    return section


def _data(path: Path) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def _add(parent: ET.Element, tag: str, text: str = "", **attributes: str) -> ET.Element:
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
