"""The last verdict: what was found, what to change, and where the tones lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.archive.records import Capture
from tether.findings import Severity, Verdict
from tether.text import percent, printable
from tether.tui.widgets.update_if_changed import put, put_title

_BARS = " ▁▂▃▄▅▆▇█"
STYLES: Mapping[str, str] = {
    "keep": "bold green",
    "look": "bold yellow",
    "reshoot": "bold red",
    "unjudged": "bold magenta",
    "note": "dim",
}
"""By verdict or severity."""


def bars(counts: Sequence[float], width: int) -> str:
    """Draw counts as a row of bars ``width`` characters wide; any count above zero shows."""
    if not counts or width < 1:
        return ""
    groups = [
        sum(
            counts[
                i * len(counts) // width : max(
                    (i + 1) * len(counts) // width, i * len(counts) // width + 1
                )
            ]
        )
        for i in range(width)
    ]
    most = max(groups) or 1
    # The square root lets a small peak of highlights be seen beside the mass of the picture.
    return "".join(_BARS[max(round(8 * (g / most) ** 0.5), 1) if g > 0 else 0] for g in groups)


class VerdictPanel(VerticalScroll):
    """Shows the facts of one capture."""

    can_focus = False

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        yield Static(id="verdict-text")

    _shown: tuple[Capture | None, int] = (None, -1)

    def on_resize(self) -> None:
        """Draw anew: the bars are as wide as the panel."""
        self.show(self._shown[0])

    def show(self, capture: Capture | None) -> None:
        """Show a capture's facts, None for nothing yet."""
        # The frame of the panel, its padding, a scroll bar and the names of the channels.
        before, self._shown = self._shown, (capture, max(self.size.width - 13, 24))
        if before == self._shown:
            return
        body = self.query_one("#verdict-text", Static)
        if capture is None:
            put_title(self, "Verdict")
            put(body, Text("No picture yet. Its verdict will stand here.", "dim"))
            return
        put_title(self, f"Verdict: frame {capture.frame}, take {capture.take}")
        body.update(facts_view(capture.facts, capture.verdict, self._shown[1]))


def facts_view(facts: Mapping[str, Any], verdict: str, width: int) -> Group:
    """Lay out the verdict, its findings and the histogram per channel."""
    grade = Verdict(verdict)
    title = f"{grade.mark} {grade.word.upper()}", STYLES.get(grade, "bold magenta")
    findings = Table.grid(padding=(0, 1))
    for finding in facts.get("findings", ()):
        severity = Severity(str(finding.get("severity")))
        text = Text(printable(str(finding.get("text", "")), 400))
        action = printable(str(finding.get("action", "")), 400)
        if action:
            text.append(f" {action}", "bold")
        findings.add_row(Text(severity.mark, STYLES.get(severity, "dim")), text)
    histogram = facts.get("histogram")
    bands = Table.grid(padding=(0, 1))
    if isinstance(histogram, Mapping) and histogram.get("counts"):
        lowest = float(histogram.get("lowest_ev", -10.0))
        # As the letters stand everywhere else, whatever the pattern of the sensor begins with.
        named = sorted(histogram["counts"].items(), key=lambda c: ("RGB".find(c[0][:1]), c[0]))
        for name, counts in named:
            label = Text(f"{printable(str(name), 6):>5}", "dim")
            bands.add_row(label, Text(bars(list(counts), width)))
        bands.add_row(Text("stops", "dim"), Text(axis(lowest, width), "dim"))
    return Group(Text.assemble(title, "  ", _numbers(facts)), findings, bands)


def axis(lowest: float, width: int) -> str:
    """Return the axis under the bars: stops below saturation, 0 at the right end."""
    line = [" "] * width
    for ev in range(int(lowest), 1, 2):
        label = str(ev) if ev else "0"
        at = round((ev - lowest) / -lowest * (width - 1)) if lowest else 0
        start = min(at, width - len(label))
        line[start : start + len(label)] = label
    return "".join(line)[:width]


def _numbers(facts: Mapping[str, Any]) -> str:
    parts = []
    base = facts.get("base_ev")
    if isinstance(base, int | float):
        parts.append(f"base {base:+z.2f} stops")
    # Of the picture alone, as in the findings: light beside the film and through its perforations
    # is no highlight. Older captures were measured over all that is in view.
    # Of a negative the lightest part is the scene's shadows, so that it has another word.
    lightest = "highlights" if base is None else "lightest"
    for key, words in (("headroom_picture_ev", lightest), ("headroom_ev", "lightest in view")):
        headroom = facts.get(key)
        if isinstance(headroom, Mapping) and headroom:
            least = min(v for v in headroom.values() if isinstance(v, int | float))
            parts.append(f"{words} {-least:+z.2f}")
            break
    clipped = facts.get("saturated_picture")
    if isinstance(clipped, Mapping) and clipped:
        most = max(v for v in clipped.values() if isinstance(v, int | float))
        parts.append(f"saturated {percent(most)}")
    return "  ".join(parts)
