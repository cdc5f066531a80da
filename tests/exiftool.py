"""An independent reader of metadata."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest


def exiftool(path: Path) -> dict[str, object]:
    """Return what exiftool reads (https://exiftool.org), with its validation."""
    program = shutil.which("exiftool")
    if program is None:
        pytest.skip("the program exiftool is not installed")
    out = subprocess.run(
        [program, "-json", "-validate", "-warning", "-a", "-all", "-n", path],
        check=True,
        capture_output=True,
    )
    found: dict[str, object] = json.loads(out.stdout)[0]
    return found
