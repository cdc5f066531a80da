"""Many rolls delivered in one run: does the memory stay as it is?

Run with ``PYTHONPATH=.:mocks python -m tests.benchmarks.many_rolls``. Each roll is the same
small one, its raw file a hard link. Printed are the seconds a roll, and the memory of this process
and of its workers, after the fiftieth roll and after the last.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from tests.delivery.delivering import kept_roll
from tether.archive.open_roll import hold_roll
from tether.archive.records import Capture, FrameState, NewRoll
from tether.delivery.folder import DeliveryOptions
from tether.delivery.many import deliver_rolls, new_rolls
from tether.settings import Settings

_EARLY = 50


def make_rolls(root: Path, count: int) -> list[str]:
    """Fill an archive with rolls of one frame; return their names."""
    first = kept_roll(root, frames=1, expected=1)
    capture = first.archive.store.frames.of(first.roll)[0].captures[0]
    raw = first.archive.file(first.roll, capture.file_name)
    store = first.archive.store
    for number in range(count - 1):
        roll = store.rolls.add(NewRoll(f"Roll {number:04}", first.roll.process, "135", 1, 6))
        hold_roll(first.archive, roll).release()
        name = f"{roll.folder}_f001_t1.dng"
        os.link(raw, first.archive.folder(roll) / name)
        taken: Capture = replace(capture, id=0, file_name=name, decision=None)
        (stored,) = store.frames.add_release(roll, [taken])
        store.frames.decide(roll.id, 1, FrameState.KEPT, stored.id)
    names = new_rolls(first.archive, None)
    first.archive.close()
    return names


def memory() -> str:
    """Return this process's memory and that of its children, in words."""
    own, others = 0, 0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            facts = dict(line.split(":", 1) for line in status.read_text().splitlines())
        except (OSError, ValueError):
            continue
        size = int(facts.get("VmRSS", "0 kB").split()[0])
        if int(facts["Pid"]) == os.getpid():
            own = size
        elif int(facts["PPid"]) == os.getpid():
            others += size
    return f"{own / 1024:.1f} MB, workers {others / 1024:.1f} MB"


def main() -> None:
    """Deliver, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rolls", type=int, default=500)
    count = parser.parse_args().rolls
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "archive"
        names = make_rolls(root, count)
        options = DeliveryOptions(half=True, tiff=False)
        begun = time.perf_counter()
        for number, outcome in enumerate(
            deliver_rolls(root, names, Settings(), options, lambda _: None), 1
        ):
            assert outcome.result is not None, outcome.error
            assert outcome.result.trouble == []
            if number in (_EARLY, len(names)) or number % 100 == 0:
                took = (time.perf_counter() - begun) / number
                print(f"roll {number}: {took:.2f} s a roll; {memory()}", flush=True)


if __name__ == "__main__":
    main()
