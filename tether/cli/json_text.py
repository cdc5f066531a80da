"""JSON that commands print for scripts: one object, with its version."""

from __future__ import annotations

import json
from typing import Any

from tether.errors import TetherError

VERSION = 1
"""Goes up when a key of the JSON goes or changes its meaning; new keys leave it as it is."""


def json_text(**facts: Any) -> str:
    """Return the object as text; the schemas are in docs/schemas."""
    return json.dumps({"version": VERSION, **facts}, indent=1, ensure_ascii=False)


def error_json(error: TetherError) -> dict[str, str]:
    """Return an error in its three parts: what happened, what was kept, what to do next."""
    return {"what": error.what, "kept": error.kept, "todo": error.todo}
