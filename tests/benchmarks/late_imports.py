"""Print what is imported inside functions, and the milliseconds that this saves at the start.

``python -m tests.benchmarks.late_imports`` prints the table of docs/performance.md, ``--write``
writes it there. Each time is the best of several processes: the module is imported first, then
what it leaves for later.
"""

from __future__ import annotations

import subprocess
import sys

from tests.test_house import PERFORMANCE, late_imports

ROUNDS = 3
_PROGRAM = """
import importlib, sys, time
importlib.import_module(sys.argv[1])
begin = time.perf_counter()
for name in sys.argv[2:]:
    try:
        importlib.import_module(name)
    except ImportError:  # of another system, or of an extra that is not installed
        pass
print(1000 * (time.perf_counter() - begin))
"""


def milliseconds(module: str, later: list[str]) -> float:
    """Return how long ``later`` takes to import once ``module`` is there."""
    words = [sys.executable, "-c", _PROGRAM, module, *later]
    return min(
        float(subprocess.run(words, check=True, capture_output=True, text=True).stdout)
        for _ in range(ROUNDS)
    )


def table() -> str:
    """Return the table, a row for each module that imports something inside a function."""
    rows = ["| module | imports when it needs them | ms |", "|---|---|---|"]
    for module, names in late_imports().items():
        words = ", ".join(f"`{name}`" for name in names)
        rows.append(f"| `{module}` | {words} | {milliseconds(module, names):.0f} |")
    return "\n".join(rows) + "\n"


def main() -> None:
    """Print the table, or write it."""
    found = table()
    if sys.argv[1:] == ["--write"]:
        before = PERFORMANCE.read_text(encoding="utf-8").partition("| module | imports")[0]
        PERFORMANCE.write_text(before + found, encoding="utf-8")
    else:
        print(found)


if __name__ == "__main__":
    main()
