"""Print how fast SHA-256 goes with threads and with processes, files in memory.

``python tests/benchmarks/fixity_speed.py``. On a busy machine only the ratios within one round
mean something, so several rounds are run and the best of each is printed.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tether.archive.durable import digest_of

FILES, SIZE, ROUNDS = 8, 60_000_000, 4


def rate(pool: Executor, files: list[Path]) -> float:
    """Return megabytes a second."""
    with pool:
        list(pool.map(os.path.exists, files))  # start the workers
        begun = time.perf_counter()
        list(pool.map(digest_of, files))
        return FILES * SIZE / 1e6 / (time.perf_counter() - begun)


def main() -> None:
    """Measure and print."""
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="fixity-", dir=memory))
    try:
        files = [folder / f"{n}.dng" for n in range(FILES)]
        for path in files:
            path.write_bytes(os.urandom(SIZE))
        cores = os.cpu_count() or 1
        kinds = {
            "1 thread": lambda: ThreadPoolExecutor(1),
            f"{cores} threads": lambda: ThreadPoolExecutor(cores),
            f"{cores} processes": lambda: ProcessPoolExecutor(cores),
        }
        for name, make in kinds.items():
            print(f"{name:<14} {max(rate(make(), files) for _ in range(ROUNDS)):6.0f} MB/s")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
