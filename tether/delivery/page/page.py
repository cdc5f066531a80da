"""One page about a roll that opens from disk: no network, no script.

Every text and attribute is escaped, see `tether.delivery.page.html`.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from datetime import UTC, datetime
from urllib.parse import quote

from tether.archive.records import Capture, Frame, FrameState
from tether.delivery.page.facts import PageFacts
from tether.delivery.page.html import add, data, section, table
from tether.delivery.page.page_plots import over_the_roll
from tether.delivery.page.plots import histogram
from tether.delivery.page.style import CSS
from tether.findings import Verdict
from tether.text import megabytes, plural

#: Nothing is loaded but what is in the page, and pictures beside it.
_POLICY = "default-src 'none'; img-src data: 'self'; style-src 'unsafe-inline'"

#: More digits than these are no date that a calendar has.
_SECONDS_DIGITS = 11


def page(facts: PageFacts) -> str:
    """Return the page, HTML 5."""
    root = ET.Element("html", {"lang": "en"})
    head = add(root, "head")
    add(head, "meta", charset="utf-8")
    add(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    meta = add(head, "meta", content=_POLICY)
    meta.set("http-equiv", "Content-Security-Policy")
    add(head, "title", f"{facts.roll.name}: {plural(len(facts.frames), 'frame')}")
    add(head, "style", CSS)
    body = add(root, "body")
    add(body, "a", "Skip to the frames", href="#contact", cls="skip")
    _header(body, facts)
    main = add(body, "main")
    _trouble(main, facts.trouble)
    _contact(main, facts)
    over_the_roll(main, facts)
    _frames(main, facts)
    _fixity(main, facts)
    _log(main, facts.log)
    return "<!DOCTYPE html>\n" + ET.tostring(root, encoding="unicode", method="html") + "\n"


def _header(body: ET.Element, facts: PageFacts) -> None:
    roll = facts.roll
    header = add(body, "header")
    add(header, "h1", roll.name)
    kept = sum(f.state is FrameState.KEPT for f in facts.frames)
    strips = plural(roll.strips, "strip") if roll.strip_length else "not cut"
    add(
        header,
        "p",
        f"{roll.process.label.capitalize()}, {roll.film_format.label}; {strips}; "
        f"{kept} of {plural(len(facts.frames), 'frame')} kept.",
        cls="quiet",
    )
    if roll.notes:
        add(header, "p", roll.notes)
    nav = add(header, "nav", aria_label="Parts of this page")
    items = add(nav, "ul")
    for part, words in (
        ("contact", "Contact sheet"), ("over", "Over the roll"), ("frames", "Frames"),
        ("fixity", "Fixity"), ("log", "Log"),
    ):  # fmt: skip
        add(add(items, "li"), "a", words, href=f"#{part}")


def _trouble(main: ET.Element, trouble: Sequence[str]) -> None:
    if not trouble:
        return
    part = add(main, "section", cls="trouble", aria_label="Trouble")
    add(part, "h2", "To look into")
    items = add(part, "ul")
    for text in trouble:
        add(items, "li", text)


def _contact(main: ET.Element, facts: PageFacts) -> None:
    part = section(main, "contact", "Contact sheet")
    if facts.other_files:
        line = add(part, "p", "To print: ", cls="quiet")
        for name in facts.other_files:
            link = add(line, "a", name, href=quote(name))
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
        row = add(part, "ul", cls="strip", style=f"--n: {columns}; --shape: {shape}")
        for frame in frames:
            _figure(add(row, "li"), facts, frame)


def _figure(item: ET.Element, facts: PageFacts, frame: Frame) -> None:
    figure = add(item, "figure")
    chosen = frame.chosen
    picture = facts.pictures.get(chosen.file_name) if chosen else None
    if chosen and picture:
        words = f"Positive of frame {frame.number}" + (f": {frame.note}" if frame.note else "")
        link = add(figure, "a", href=quote(facts.positives[chosen.file_name]))
        add(link, "img", src=data(picture), alt=words)
    else:
        add(figure, "div", f"{frame.state.value}, no picture", cls="none")
    caption = add(figure, "figcaption")
    add(caption, "a", f"{frame.number}", href=f"#frame-{frame.number}").tail = (
        f" {frame.state.mark} {frame.state.value}"
        + (f" · {_shown(chosen.verdict)}" if chosen else "")
    )


def _frames(main: ET.Element, facts: PageFacts) -> None:
    part = section(main, "frames", "Frames")
    for frame in facts.frames:
        words = f"Frame {frame.number}: {frame.state.mark} {frame.state.value}"
        article = add(part, "article", id=f"frame-{frame.number}")
        add(article, "h3", words + (f". {frame.note}" if frame.note else ""))
        for capture in frame.captures:
            _take(article, facts, frame, capture)
        if not frame.captures:
            add(article, "p", "No raw file.", cls="quiet")


def _take(article: ET.Element, facts: PageFacts, frame: Frame, capture: Capture) -> None:
    chosen = {"chosen": "chosen", "other": "not chosen"}.get(capture.decision or "", "undecided")
    verdict = _shown(capture.verdict)
    findings = capture.facts.texts
    # What there is to say is open, also on paper.
    details = add(article, "details", **({"open": "open"} if findings else {}))
    add(details, "summary", f"Take {capture.take}: {verdict}; {chosen}")
    grid = add(details, "div", cls="frame")
    left = add(grid, "div")
    if findings:
        items = add(left, "ul")
        for text in findings:
            add(items, "li", text)
    else:
        add(left, "p", "Nothing to object to.")
    pairs = add(left, "dl")
    rows = [("File", capture.file_name), ("Taken", capture.taken_at)]
    if capture.file_name in facts.positives:
        rows.append(("Positive", facts.positives[capture.file_name]))
    if crop := facts.crops.get(capture.file_name):
        rows.append(("Cropped", crop))
    rows += [_setting(role, value) for role, value in sorted(capture.settings.items())]
    for term, value in rows:
        add(pairs, "dt", term)
        add(pairs, "dd", value)
    bars = capture.facts.histogram
    right = add(grid, "div")
    if bars is not None:
        title = f"Histogram of frame {frame.number}, take {capture.take}"
        right.append(histogram(bars.counts, bars.lowest_ev, bars.bin_ev, title))
        add(right, "p", "Green whole line, red dashed, blue dotted.", cls="quiet")


def _setting(role: str, value: str) -> tuple[str, str]:
    """Return the words for a setting; a clock that gives seconds since 1970 is a date to read."""
    if role == "iso":
        return "ISO", value
    if role == "clock" and value.isdecimal() and len(value) <= _SECONDS_DIGITS:
        return "Camera's clock", datetime.fromtimestamp(int(value), UTC).isoformat()
    return role.capitalize(), value


def _fixity(main: ET.Element, facts: PageFacts) -> None:
    part = section(main, "fixity", "Fixity")
    body = table(
        part,
        "Every raw file of the roll with its SHA-256 as recorded on arrival. 'Checked' is what "
        "this delivery found; it reads the chosen files only.",
        ("Frame", "File", "Size", "SHA-256", "Checked"),
    )
    for frame in facts.frames:
        for capture in frame.captures:
            intact = facts.intact.get(capture.file_name)
            found = {True: "as recorded", False: "differs or cannot be read", None: "not read"}
            row = add(body, "tr")
            add(row, "th", str(frame.number), scope="row")
            add(row, "td", capture.file_name)
            add(row, "td", megabytes(capture.size), cls="nobreak")
            add(add(row, "td"), "code", capture.sha256)
            add(row, "td", found[intact])


def _log(main: ET.Element, lines: Sequence[tuple[str, int | None, str, str]]) -> None:
    part = section(main, "log", "Log")
    body = table(part, "What was done, oldest first.", ("Time (UTC)", "Frame", "Kind", "What"))
    for at, frame, kind, text in lines:
        row = add(body, "tr")
        add(row, "th", at[:19].replace("T", " "), scope="row", cls="nobreak")
        add(row, "td", "" if frame is None else str(frame))
        add(row, "td", kind)
        add(row, "td", text)


def _shown(verdict: Verdict) -> str:
    return f"{verdict.mark} {verdict.word}"
