"""Print what is imported inside functions, and the milliseconds that this saves at the start.

``python -m tests.benchmarks.late_imports`` prints the table of docs/performance.md. Each time is
the best of several processes: the module is imported first, then what it leaves for later.
"""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict

from tests.test_house import imports_in_functions

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


def main() -> None:
    """Print the table."""
    later = defaultdict(set)
    for module, imported in imports_in_functions("tether"):
        later[module].add(imported)
    print("| module | imports when it needs them | ms |\n|---|---|---|")
    for module, names in sorted(later.items()):
        words = ", ".join(f"`{name}`" for name in sorted(names))
        print(f"| `{module}` | {words} | {milliseconds(module, sorted(names)):.0f} |")


if __name__ == "__main__":
    main()
