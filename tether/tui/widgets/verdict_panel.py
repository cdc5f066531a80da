"""The last verdict: what was found, what to change, and where the tones lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tether.archive.records import Capture
from tether.facts import Facts
from tether.findings import Verdict
from tether.session.session import View
from tether.settings import ExposureSettings
from tether.text import percent
from tether.tui.widgets.redraw import put, put_title

_BARS = " ▁▂▃▄▅▆▇█"
_BASE = "◆"
"""Where the film base is, on the axis and beside its number."""
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


def capture_on_show(view: View) -> Capture | None:
    """The capture whose verdict belongs on the screen.

    The waiting one; for a frame that was gone to its own; otherwise the newest of the roll.
    """
    if view.place.capture is not None:
        return view.place.capture
    if view.roll.cursor is not None and (frame := view.frames[view.roll.cursor - 1]).captures:
        return frame.chosen or frame.captures[-1]
    captures = [c for f in view.frames for c in f.captures]
    return max(captures, key=lambda c: c.id, default=None)


class VerdictPanel(VerticalScroll):
    """Shows the facts of one capture, and the target that its base is held against."""

    can_focus = False

    def __init__(self, target: ExposureSettings, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._target = target

    def compose(self) -> ComposeResult:
        """Lay out the panel."""
        yield Static(id="verdict-text")

    _shown: tuple[Capture | None, int] = (None, -1)

    def on_resize(self) -> None:
        """Draw again: the bars are as wide as the panel."""
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
            put(body, Text("No take yet. Its verdict will appear here.", "dim"))
            return
        put_title(self, f"Verdict: frame {capture.frame}, take {capture.take}")
        view = facts_view(capture.facts, capture.verdict, self._shown[1], self._target)
        body.update(view)


def facts_view(facts: Facts, verdict: Verdict, width: int, target: ExposureSettings) -> Group:
    """Lay out the verdict, its findings and a histogram per colour over a common axis."""
    title = f"{verdict.mark} {verdict.word.upper()}", STYLES.get(verdict, "bold magenta")
    findings = Table.grid(padding=(0, 1))
    for finding in facts.findings:
        text = Text(finding.text)
        if finding.action:
            text.append(f" {finding.action}", "bold")
        severity = finding.severity
        findings.add_row(Text(severity.mark, STYLES.get(severity, "dim")), text)
    histogram = facts.histogram
    bands = Table.grid(padding=(0, 1))
    if histogram is not None and histogram.counts:
        for name, counts in histogram.rows().items():
            bands.add_row(Text(f"{name[:6]:>5}", "dim"), Text(bars(counts, width)))
        bands.add_row(Text("stops", "dim"), Text(_axis(facts, histogram.lowest_ev, width, target)))
    return Group(Text.assemble(title, "  ", _numbers(facts, target)), findings, bands)


def _axis(facts: Facts, lowest: float, width: int, target: ExposureSettings) -> str:
    """Write the axis: stops below saturation, the film base and between brackets its target."""
    line = [" "] * width

    def at(ev: float) -> int:
        return min(max(round((1 - ev / lowest) * (width - 1)), 0), width - 1) if lowest else 0

    for ev in range(int(lowest), 1, 2):
        start = min(at(ev), width - len(str(ev)))
        line[start : start + len(str(ev))] = str(ev)
    if facts.base_ev is not None or facts.base_source:
        line[at(target.base_target_ev - target.base_tolerance_ev)] = "["
        line[at(target.base_target_ev + target.base_tolerance_ev)] = "]"
        if facts.seen_base_ev is not None:
            line[at(facts.seen_base_ev)] = _BASE
    return "".join(line)


def _numbers(facts: Facts, target: ExposureSettings) -> str:
    parts = []
    base = facts.base_ev
    wanted = f"target [{target.base_target_ev:+z.1f}]"
    if base is not None:
        source = {"roll": "roll", "picture": "about"}.get(facts.base_source, "")
        parts.append(
            f"base not in view ({source} {base:+z.1f}, {wanted})"
            if source
            else f"base {_BASE} {base:+z.1f}, {wanted}"
        )
    elif facts.base_source:
        parts.append(f"base clipped, {wanted}")
    # Of the picture alone, as in the findings: light beside the film and through its perforations
    # is no highlight. Older captures were measured over all that is in view.
    # Of a negative the brightest part is the scene's shadows, so that it has another word.
    if facts.headroom_picture_ev:
        brightest = "brightest" if facts.base_source or base is not None else "highlights"
        parts.append(f"{brightest} {-min(facts.headroom_picture_ev.values()):+z.1f}")
    elif facts.headroom_ev:
        parts.append(f"brightest in view {-min(facts.headroom_ev.values()):+z.1f}")
    if facts.saturated_picture:
        parts.append(f"clipped {percent(max(facts.saturated_picture.values()))}")
    return "  ".join(parts)
