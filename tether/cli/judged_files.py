"""Files judged one after the other in a worker process, for the commands that print the result.

A file that cannot be read, or that takes the worker down, gives an object that says so; the
others are judged all the same.
"""

from __future__ import annotations

import hashlib
import math
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from tether.errors import TetherError
from tether.findings import Severity
from tether.raw.mosaic import Mosaic
from tether.text import printable
from tether.worker_process import WorkerDied, WorkerError, WorkerHung, WorkerProcess

MEMORY_BYTES = 8 << 30
JUDGE_SECONDS = 120.0


def judged(worker: WorkerProcess, paths: Sequence[Path], *args: Any) -> Iterator[dict[str, Any]]:
    """Yield one object a file, in the order given.

    ``worker`` holds an object with a method ``measure(path, *args)`` that returns the object; it
    is started where it is not running, also after a file took it down.
    """
    result: dict[str, Any]
    for path in paths:
        try:
            if path.is_dir():
                raise TetherError("This is a folder.", todo="Name the raw files in it.")
            if not path.is_file():
                raise TetherError("There is no such file.")
            worker.start()
            result = worker.call("measure", path, *args, timeout=JUDGE_SECONDS)
        except (WorkerDied, WorkerHung, WorkerError) as error:
            result = failed(path, f"Reading it went wrong: {error.what}")
        except TetherError as error:
            result = failed(path, str(error))
        cleaned: dict[str, Any] = _finite(result)
        yield cleaned


def _finite(value: Any) -> Any:
    """Return the same with None for what JSON has no number for (RFC 8259: no NaN, no infinity)."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def failed(path: Path, error: str) -> dict[str, Any]:
    """Return the object of a file that was not judged."""
    return {"file": str(path), "error": printable(error, 500)}


def file_facts(path: Path, mosaic: Mosaic) -> dict[str, Any]:
    """Return what identifies a file: name as given, SHA-256 (FIPS 180-4), size of the mosaic.

    Raises
    ------
    TetherError
        When the file cannot be read to its end.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise TetherError(f"It cannot be read to its end ({error.strerror}).") from error
    height, width = mosaic.shape
    return {"file": str(path), "sha256": digest, "width": width, "height": height}


def findings_text(findings: Sequence[dict[str, Any]]) -> list[str]:
    """Return the findings as lines for a person, what to do under what was seen."""
    lines = []
    for finding in findings:
        lines += wrapped(finding["text"], f"  {Severity(finding['severity']).mark} ", "    ")
        lines += wrapped(finding["action"], "    ", "    ")
    return lines


def heading(row: dict[str, Any]) -> str:
    """Return the line that names a file: its name made safe to show, and its size."""
    name = printable(Path(row["file"]).name, 80)
    return f"{name}   {row['width']} x {row['height']}"


def failure_text(row: dict[str, Any]) -> str:
    """Return what is said of a file that was not judged."""
    lines = [printable(Path(row["file"]).name or row["file"], 80)]
    return "\n".join([*lines, *wrapped(f"Not judged. {row['error']}", "  ", "  ")])


def wrapped(text: str, first: str, others: str) -> list[str]:
    """Break a sentence from a file or a measurement into lines that a terminal shows whole."""
    return textwrap.wrap(printable(text, 500), 88, initial_indent=first, subsequent_indent=others)
