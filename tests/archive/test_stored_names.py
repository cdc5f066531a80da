"""Names that are stored, in the database and in the files beside the pictures, stay as they are.

An archive of today must be readable by a program of later, so a name in this module changes only
together with a way to read the old one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.archive.conftest import Desk
from tether.archive.journal import Journal
from tether.archive.records import FrameState, Scope

_TABLES = {
    "roll": "id name folder process format_key frames_expected strip_length notes cursor memory "
    "created_at description",
    "frame": "roll_id number state note description",
    "capture": "id roll_id frame take file_name size sha256 taken_at origin decision verdict facts "
    "settings memory",
    "companion": "roll_id file_name capture_id size sha256",
    "sitting": "id started_at active_at camera short",
    "step": "id sitting_id roll_id scope place key",
    "intent": "id roll_id kind frame facts begun_at",
    "card_file": "camera folder name size modified dealt",
    "log": "id at roll_id frame kind text",
    "roll_count": "roll_id expected done next_open",
    "archive_fact": "key value",
    "copy_behind": "roll_id mark",
    "roll_total": "id rolls unfinished expected done",
    "left_alone": "roll_id name",
    "trial": "roll_id file_name size sha256",
    "waiting": "id name facts",
    "edit": "id batch at what place owner frame before",
    "find_change": "id roll",
    "sqlite_sequence": "name seq",
}
_CARD_FILE = "folder modified name size"
_PENDING = "camera_name index name part raw sha256 size take"


def keys(facts: Mapping[str, Any]) -> str:
    return " ".join(sorted(facts))


def read(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def test_tables_and_their_columns(desk: Desk) -> None:
    database = desk.archive().store.database
    tables = [r["name"] for r in database.all("SELECT name FROM sqlite_master WHERE type='table'")]
    columns = {
        name: " ".join(r["name"] for r in database.all(f"PRAGMA table_info({name})"))
        for name in tables
    }
    assert columns == _TABLES


def test_words_that_are_stored() -> None:
    assert [s.value for s in FrameState] == ["open", "kept", "skipped", "blank", "damaged"]
    assert [s.value for s in Scope] == ["sitting", "roll", "strip", "frame"]


def test_what_a_release_stores_on_its_way(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    stored: dict[str, Mapping[str, Any]] = {}
    begin, advance = Journal.begin, Journal.advance

    def begun(self: Journal, roll: int, kind: str, frame: int, facts: Mapping[str, Any]) -> int:
        stored[kind] = facts
        return begin(self, roll, kind, frame, facts)

    def advanced(self: Journal, intent: int, kind: str, facts: Mapping[str, Any]) -> None:
        stored[kind] = facts
        advance(self, intent, kind, facts)

    session = desk.session()
    monkeypatch.setattr(Journal, "begin", begun)
    monkeypatch.setattr(Journal, "advance", advanced)
    desk.work(session, keep=1)
    assert {kind: keys(facts) for kind, facts in stored.items()} == {
        "release": "camera settings",
        "fetch": "camera files origin settings",
        "arrival": "camera files frame not_counted origin parcels settings taken_at",
    }
    assert keys(stored["fetch"]["files"][0]) == _CARD_FILE
    assert keys(stored["arrival"]["parcels"][0]) == _PENDING


def test_files_beside_the_pictures(desk: Desk) -> None:
    session = desk.session()
    session.bench.shots.take("open-gate")
    desk.work(session, keep=1)
    folder = session.archive.folder(session.roll)
    assert keys(read(folder / "roll.json")) == (
        "created_at description film format frames_expected name notes strip_length"
    )
    state = read(folder / "state.json")
    assert keys(state) == "cursor memory_of sitting steps"
    assert keys(state["sitting"]) == "active_at camera id short started_at"
    assert keys(state["steps"][0]) == "key place scope"
    frame = read(folder / "frames" / "f001.json")
    assert keys(frame) == "captures companions description frame note roll state"
    assert keys(frame["captures"][0]) == (
        "companions decision facts file_name frame id origin settings sha256 size take taken_at "
        "verdict"
    )
    (shot,) = read(folder / "bench" / "files.json")["files"]
    assert keys(shot) == "file_name sha256 size"
    line = json.loads((folder / "log.jsonl").read_text().splitlines()[0])
    assert keys(line) == "at frame id kind text"
