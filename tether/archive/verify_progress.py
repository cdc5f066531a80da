"""What a check of the whole archive has behind it, so that it can be interrupted."""

from __future__ import annotations

import contextlib
import json
import os
from datetime import datetime, timedelta
from pathlib import Path

from tether.clock import Clock, system_clock

FILE = ".verify.jsonl"

GOOD_FOR = timedelta(days=7)
"""An interrupted check that is older is begun anew."""


class Notebook:
    """A small file in the archive: a line a roll that was found whole.

    Where the archive cannot be written to, a check works without it and begins anew each time.
    """

    def __init__(self, root: Path, *, afresh: bool = False, clock: Clock = system_clock) -> None:
        self._path = root / FILE
        self._clock = clock
        self._done: set[str] = set()
        if afresh or not self._read():
            self.clear()

    @property
    def count(self) -> int:
        """How many rolls are behind an earlier, interrupted check."""
        return len(self._done)

    def has(self, folder: str) -> bool:
        """Tell whether a roll was found whole already."""
        return folder in self._done

    def add(self, folder: str) -> None:
        """Note that a roll was found whole."""
        line = json.dumps({"at": self._clock().isoformat(), "folder": folder}) + "\n"
        with contextlib.suppress(OSError):
            handle = os.open(
                self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW, 0o644
            )
            with os.fdopen(handle, "a", encoding="ascii") as file:
                file.write(line)

    def clear(self) -> None:
        """Forget everything: the check is through, or is to begin anew."""
        self._done.clear()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _read(self) -> bool:
        try:
            lines = self._path.read_text(encoding="ascii", errors="replace").splitlines()
            begun = datetime.fromisoformat(json.loads(lines[0])["at"])
            if abs(self._clock() - begun) > GOOD_FOR:
                return False
        except (OSError, ValueError, LookupError, TypeError):
            return False
        for line in lines:
            with contextlib.suppress(ValueError, LookupError, TypeError):
                self._done.add(str(json.loads(line)["folder"]))
        return True
