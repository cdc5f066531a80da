"""Judging a raw file in a worker process: no file can take the session down."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tether.child import Child, ChildDied, ChildError, ChildHung
from tether.errors import TetherError
from tether.film import FilmProcess
from tether.measure.verdict import Finding, Severity, Verdict
from tether.settings import Settings

MEMORY_BYTES = 8 << 30
JUDGE_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class JudgeRequest:
    """What a file is judged against.

    ``shutter`` is the (label, seconds) it was taken at and ``shutters`` the camera's own list;
    ``memory`` is what earlier frames of the roll left (b"" at its start).
    """

    process: FilmProcess
    format_key: str = "135"
    frame: int | None = None
    shutter: tuple[str, float] | None = None
    shutters: tuple[tuple[str, float], ...] = ()
    memory: bytes = b""
    settings: Settings = field(default_factory=Settings)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What came of it. ``facts`` can be stored as JSON; its keys are in docs/json.md.

    ``picture`` is a small linear picture relative to saturation, shape (h, w, 3), float32.
    """

    facts: dict[str, Any]
    verdict: Verdict
    findings: tuple[Finding, ...]
    memory: bytes = b""
    picture: NDArray[np.float32] | None = None


class JudgeWorker:
    """Does the judging; lives in the worker process."""

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Open and measure a file."""
        from tether.measure.frame import FrameContext, measure_frame
        from tether.raw.open import open_mosaic

        mosaic = open_mosaic(path)
        measured = measure_frame(
            mosaic,
            FrameContext(
                request.process, request.shutter, request.shutters, request.settings.exposure
            ),
        )
        return Judgement(measured.as_json(), measured.verdict, measured.findings)


class Judge:
    """Judges files one after the other in a worker that is ended when it misbehaves."""

    def __init__(self) -> None:
        self._child = Child(JudgeWorker, name="The judge of raw files", memory_bytes=MEMORY_BYTES)

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """Judge a file; a file that cannot be judged gives the verdict UNJUDGED and says why."""
        try:
            self._child.start()
            judgement: Judgement = self._child.call("judge", path, request, timeout=JUDGE_SECONDS)
            return judgement
        except (ChildDied, ChildHung, ChildError, TetherError) as error:
            finding = Finding(
                "not-judged",
                Severity.LOOK,
                None,
                "",
                f"The file could not be judged: {error.what}",
                error.todo or "Look at the file; shoot again if in doubt.",
            )
            facts = {
                "verdict": Verdict.UNJUDGED.value,
                "error": error.what,
                "findings": [
                    {
                        "code": finding.code,
                        "severity": finding.severity.value,
                        "value": None,
                        "unit": "",
                        "text": finding.text,
                        "action": finding.action,
                    }
                ],
            }
            return Judgement(facts, Verdict.UNJUDGED, (finding,))

    def close(self) -> None:
        """End the worker."""
        self._child.close()
