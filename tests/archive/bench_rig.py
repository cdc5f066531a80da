"""What the storage's tests work with: a judge that likes everything, an archive that is checked."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.records import FrameState
from tether.facts import Facts
from tether.findings import Verdict
from tether.session.judge import Judgement, JudgeRequest


class ContentJudge:
    """Keeps every picture, so that the tests are about storing and not about measuring."""

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        assert path.is_file(), "a recorded file is there"
        facts = {"verdict": Verdict.KEEP.value, "findings": [], "bytes": path.stat().st_size}
        return Judgement(Facts.read(facts), b"memory of the roll")


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def card_pictures(card: Path) -> list[tuple[str, str, bool]]:
    """Read a simulated card's index: (SHA-256, name, whole) of each file, oldest first."""
    items = json.loads((card / "index.json").read_text(encoding="utf-8"))["items"]
    found = []
    for item in sorted(items, key=lambda i: i["handle"]):
        path = card / f"{item['handle']:08d}"
        if path.is_file():
            whole = item["stated_size"] in (None, item["size"])
            found.append((digest(path), item["name"], whole))
    return found


def problems(archive: Archive, name: str, *, complete: bool = True) -> list[str]:
    """Return every invariant of docs/storage.md that a roll breaks, read from disk and database."""
    store = archive.store
    roll = store.rolls.named(name)
    wrong = list(store.damage())
    frames = store.frames.of(roll)
    recorded = store.frames.recorded(roll.id)
    for file, size, sha in recorded:
        path = archive.file(roll, file)
        if not path.is_file() or path.stat().st_size != size or digest(path) != sha:
            wrong.append(f"{file} is not what was recorded")
    wrong += [f"not recorded: {n}" for n in archive.unrecorded_files(roll)]
    for frame in frames:
        chosen = [c for c in frame.captures if c.decision == "chosen"]
        if frame.state is FrameState.KEPT and len(chosen) != 1:
            wrong.append(f"frame {frame.number} kept with {len(chosen)} choices")
        if [c.take for c in frame.captures] != sorted({c.take for c in frame.captures}):
            wrong.append(f"takes of frame {frame.number} out of order")
        sidecar = archive.folder(roll) / "frames" / f"f{frame.number:03d}.json"
        if frame.state is not FrameState.OPEN:
            facts = json.loads(sidecar.read_text(encoding="utf-8"))
            if facts["state"] != frame.state.value or len(facts["captures"]) != len(frame.captures):
                wrong.append(f"{sidecar.name} does not say what the database says")
    progress = next(p for p in store.rolls.progress() if p.roll.id == roll.id)
    decided = [f for f in frames if f.state is not FrameState.OPEN]
    if progress.frames_done != len([f for f in decided if f.number <= roll.frames_expected]):
        wrong.append("the counter of decided frames is wrong")
    every, totals = store.rolls.progress(), store.rolls.totals()
    added = (
        len(every),
        sum(p.roll.frames_expected for p in every),
        sum(p.frames_done for p in every),
    )
    if added != (totals.rolls, totals.frames_expected, totals.frames_done):
        wrong.append("the totals of all rolls are wrong")
    if complete:
        wrong += [f"left open: {i.kind}" for i in store.journal.intents(roll.id)]
        if len(decided) != roll.frames_expected:
            wrong.append("not every frame is decided")
    return wrong


def against_card(
    archive: Archive,
    name: str,
    pictures: list[tuple[str, str, bool]],
    *,
    news_lost: bool = False,
) -> list[str]:
    """Compare a roll with what the camera's card holds of it: bit-exact, once, in order.

    Two JPEGs on the card may be alike; then both are recorded. With ``news_lost`` a JPEG of which
    the camera did not tell may still be on the card only.
    """
    roll = archive.store.rolls.named(name)
    recorded = archive.store.frames.recorded(roll.id)
    counted = Counter(sha for _, _, sha in recorded)
    there = Counter(sha for sha, _, _ in pictures)
    wrong = [
        f"{sha[:8]} recorded {n} times, {there[sha]} times on the card"
        for sha, n in counted.items()
        if n > max(there[sha], 1)
    ]
    on_card = {sha: i for i, (sha, _, _) in enumerate(pictures)}
    wrong += [f"{file} is on no card" for file, _, sha in recorded if sha not in on_card]
    wrong += [
        f"{picture} of the card is in no frame"
        for sha, picture, whole in pictures
        if whole and counted[sha] < there[sha] and not (news_lost and picture.endswith(".JPG"))
    ]
    order = [
        on_card.get(f.chosen.sha256, -1)
        for f in archive.store.frames.of(roll)
        if f.chosen is not None
    ]
    if order != sorted(order):
        wrong.append(f"the frames are out of order: {order}")
    return wrong
