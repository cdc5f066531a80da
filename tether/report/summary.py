"""What was done, and where the files lie: the words at the end of a sitting."""

from __future__ import annotations

from collections import Counter

from tether.report.rolls import go_on
from tether.session.archive import Archive
from tether.session.place import next_frame
from tether.session.roll import Frame, FrameState
from tether.text import plural, printable


def summary(archive: Archive, roll_name: str) -> list[str]:
    """Return the lines of a roll's summary."""
    roll = archive.store.roll(roll_name)
    frames = archive.store.frames(roll)
    states = Counter(f.state for f in frames)
    counted = ", ".join(
        f"{count} {state.value}" for state in FrameState if (count := states.get(state, 0))
    )
    lines = [
        f"{printable(roll.name)}: {counted}; "
        f"{plural(sum(len(f.captures) for f in frames), 'raw file')}."
    ]
    lines += [f"Look at frame {f.number} again: {_why(f)}" for f in frames if _why(f)]
    lines.append(f"The files lie in {archive.folder(roll)}")
    return lines


def _why(frame: Frame) -> str:
    """Say why a kept frame deserves another look, "" when it does not."""
    chosen = frame.chosen
    if frame.state is not FrameState.KEPT or chosen is None or chosen.verdict == "keep":
        return ""
    findings = chosen.facts.get("findings")
    texts = [
        str(f.get("text", ""))
        for f in (findings if isinstance(findings, list) else [])
        if f.get("severity") != "note"
    ]
    return printable(" ".join(texts) or f"its verdict is {chosen.verdict}", 300)


def leaving_text(archive: Archive, roll_name: str) -> str:
    """Return what is printed when the person leaves the screen."""
    lines = summary(archive, roll_name)
    roll = archive.store.roll(roll_name)
    upcoming = next_frame(roll, archive.store.frames(roll))
    if upcoming is None:
        lines.append("The roll is complete.")
    else:
        lines.append(f"Go on at frame {upcoming}: {go_on(archive, roll_name)}")
    return "\n".join(lines)
