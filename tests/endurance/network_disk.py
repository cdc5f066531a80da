"""Two computers on one network disk: ``python -m tests.endurance.network_disk -n 20``.

A model, not a network: two programs share files and locks, but each has memory of its own where
SQLite's write-ahead log needs shared memory (`private_memory.c`). Both record captures in rolls of
their own at the same time, and try again when they are refused. Right is: every refusal names host
and program, every capture that was reported as recorded is in the database, and the database is
sound. With ``--local`` the table of mounts says that the disk is local: that is how it went wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.endurance.results import add, options
from tether.archive import file_system
from tether.archive.archive import Archive
from tether.archive.database import ArchiveDatabaseError
from tether.archive.records import Capture, NewRoll
from tether.film import FilmProcess

FRAMES = 30


def work(root: Path, table: Path, name: str) -> None:
    """Record captures for one roll, each in an archive opened anew; print what became of each."""
    file_system.MOUNT_TABLE = table
    number = 0
    while number < FRAMES:
        try:
            with contextlib.closing(Archive(root)) as archive:
                if not archive.store.rolls.has(name):
                    archive.store.rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE))
                roll = archive.store.rolls.named(name)
                for _ in range(3):
                    number += 1
                    file = f"{name}_f{number:03d}_t1.dng"
                    taken = Capture(
                        0, number, 1, file, 9, "0" * 64, archive.store.stamp(), "program"
                    )
                    archive.store.frames.add_release(roll, [taken], log=["filed"])
                    print(f"recorded {file}", flush=True)
        except ArchiveDatabaseError as error:
            named = f"on {socket.gethostname()}" in str(error) and "process" in str(error)
            print("refused" if named else f"wrong: {error}", flush=True)


def trial(base: Path, library: Path, *, local: bool) -> list[str]:
    """Let two programs work at once; return what went wrong."""
    root, table = base / "archive", base / "mountinfo"
    shutil.rmtree(base, ignore_errors=True)
    base.mkdir()
    kind = "ext4" if local else "nfs4"
    table.write_text(f"1 0 0:1 / / rw - ext4 x rw\n2 1 0:2 / {base.resolve()} rw - {kind} x rw\n")
    Archive(root).close()
    environment = os.environ | {"LD_PRELOAD": str(library)}
    programs = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.endurance.network_disk", "--work", root, table, name],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment,
        )
        for name in ("Harbour", "Winter")
    ]
    said = [line for program in programs for line in program.communicate()[0].splitlines()]
    wrong = [line for line in said if not line.startswith(("recorded ", "refused"))]
    reported = {line.removeprefix("recorded ") for line in said if line.startswith("recorded ")}
    try:
        with contextlib.closing(Archive(root, create=False)) as archive:
            wrong += archive.store.damage()
            held = {
                name for roll in archive.store.rolls.all()
                for name in archive.store.frames.file_names(roll.id)
            }  # fmt: skip
            wrong += [f"lost: {name}" for name in sorted(reported - held)]
    except ArchiveDatabaseError as error:
        wrong.append(str(error))
    if len(reported) != 2 * FRAMES:
        wrong.append(f"{len(reported)} captures were reported as recorded")
    return wrong


def made_library(folder: Path) -> Path | None:
    """Compile the model; None where there is no compiler, or no Linux."""
    compiler = shutil.which("cc")
    if compiler is None or sys.platform != "linux":
        return None
    library = folder / "private_memory.so"
    source = Path(__file__).with_name("private_memory.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
    return library


def main() -> int:
    parser = options(__doc__ or "", 20)
    parser.add_argument("--local", action="store_true")
    parser.add_argument("--work", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.work:
        work(Path(asked.work[0]), Path(asked.work[1]), asked.work[2])
        return 0
    with tempfile.TemporaryDirectory() as folder:
        library = made_library(Path(folder))
        if library is None:
            print("left out: it needs Linux and a C compiler")
            return 0
        last = asked.seed + asked.trials - 1
        found = {
            str(number): trial(Path(folder) / "trial", library, local=asked.local)
            for number in range(asked.seed, last + 1)
        }
    bad = {number: wrong for number, wrong in found.items() if wrong}
    without = "network disk known as one" if asked.local else ""
    counts = {"trials": asked.trials}
    return add(asked.out, "two computers", (asked.seed, last), counts, bad, without=without)


if __name__ == "__main__":
    sys.exit(main())
