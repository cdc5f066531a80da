"""Many rolls in one run: which ones, and that one costs no other its delivery."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.delivery.delivering import Kept, kept_roll
from tether.archive.open_roll import hold_roll
from tether.archive.records import Capture, FrameState, NewRoll, Roll
from tether.cli.deliver import watch
from tether.cli.main import app
from tether.delivery.folder import DeliveryOptions
from tether.delivery.many import new_rolls, rolls_like
from tether.errors import TetherError
from tether.settings import Settings

QUICK = DeliveryOptions(half=True, tiff=False, workers=1)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    """A complete roll, two like it, one of a file that is gone, and one at work."""
    first = kept_roll(tmp_path / "archive", frames=1, expected=1)
    raw = (first.folder / "Harbour_f001_t1.dng").read_bytes()
    for name, expected in (("Harbour 2", 1), ("Pier", 1), ("Harbour at work", 2)):
        another(first, name, expected, raw)
    yield first
    first.archive.close()


def another(first: Kept, name: str, expected: int, raw: bytes) -> Roll:
    store = first.archive.store
    roll = store.rolls.add(NewRoll(name, first.roll.process, "135", expected, 6))
    hold_roll(first.archive, roll).release()
    file = f"{roll.folder}_f001_t1.dng"
    (first.archive.folder(roll) / file).write_bytes(raw)
    digest = hashlib.sha256(raw).hexdigest()
    taken = Capture(0, 1, 1, file, len(raw), digest, "2024-05-04T10:00:00+00:00", "program")
    (stored,) = store.frames.add_release(roll, [taken])
    store.frames.decide(roll.id, 1, FrameState.KEPT, stored.id)
    return roll


def positives(kept: Kept) -> list[str]:
    return sorted(p.parent.parent.parent.name for p in kept.archive.root.rglob("positives/*.jpg"))


def test_rolls_are_found_by_their_names(kept: Kept) -> None:
    assert rolls_like(kept.archive, ["Harbour*"]) == ["Harbour", "Harbour 2", "Harbour at work"]
    assert rolls_like(kept.archive, ["P?er", "Harbour"]) == ["Harbour", "Pier"]
    with pytest.raises(TetherError, match="No roll has a name like 'X"):
        rolls_like(kept.archive, ["Pier", "X*"])


def test_new_are_complete_rolls_that_lack_a_positive(kept: Kept) -> None:
    assert new_rolls(kept.archive, None) == ["Harbour", "Harbour 2", "Pier"]
    kept.deliver()
    assert new_rolls(kept.archive, None) == ["Harbour 2", "Pier"]


def test_trouble_with_one_roll_costs_no_other(kept: Kept, tmp_path: Path) -> None:
    (kept.archive.root / "Harbour 2" / "Harbour 2_f001_t1.dng").unlink()
    (tmp_path / "out" / "Pier").mkdir(parents=True)
    (tmp_path / "out" / "Pier" / "other.txt").write_text("of somebody")
    done = CliRunner().invoke(
        app,
        [
            "deliver", "--archive", str(kept.archive.root), "--all-new", "--half", "--no-tiff",
            "--workers", "1", "--to", str(tmp_path / "out"), "--json",
        ],
    )  # fmt: skip
    assert done.exit_code == 1, "some have problems"
    good, lost, refused = json.loads(done.stdout)["rolls"]
    assert (good["roll"], good["positives_made"], good["problems"]) == ("Harbour", 1, [])
    assert good["folder"] == str(tmp_path / "out" / "Harbour")
    assert "is missing from the roll's folder" in lost["problems"][0]
    assert "holds other files" in refused["error"]["what"]
    assert (tmp_path / "out" / "Pier" / "other.txt").read_text() == "of somebody"


def test_a_delivery_that_stays_takes_a_roll_when_it_is_complete(kept: Kept) -> None:
    (kept.archive.root / "Harbour 2" / "Harbour 2_f001_t1.dng").unlink()
    seen: list[list[str]] = []

    def wait(_: float) -> None:
        seen.append(positives(kept))
        if len(seen) == 2:
            raise KeyboardInterrupt
        store = kept.archive.store
        store.frames.decide(store.rolls.named("Harbour at work").id, 2, FrameState.SKIPPED, None)

    assert watch(kept.archive.root, Settings(), QUICK, wait) == 1, "one has lost its file"
    assert seen == [["Harbour", "Pier"], ["Harbour", "Harbour at work", "Pier"]]


@pytest.mark.parametrize("words", [[], ["Harbour", "--all-new"], ["--all-new", "--watch"]])
def test_one_way_to_name_rolls_is_wanted(words: list[str]) -> None:
    done = CliRunner().invoke(app, ["deliver", *words])
    assert done.exit_code == 2
    assert "Name one roll, or give one of" in done.output
