"""Stored facts are read once and written back as they were, whatever wrote them."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.archive.archive import Archive
from tether.archive.records import Capture, NewRoll
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Severity, Verdict

GOOD = {
    "verdict": "look",
    "findings": [
        {"code": "askew", "severity": "look", "text": "It lies askew.", "action": "Turn it."}
    ],
    "framing": {
        "corners": [[1, 2], [30, 2], [30, 20], [1, 20]], "seen": ["left", "top", "right"],
        "missing_mm": {"left": 0.0}, "rotation_degrees": 2.5,
    },
    "base_ev": -0.5, "base": {"R": 0.7, "G1": 0.6, "B": None}, "base_source": "rebate",
    "histogram": {"lowest_ev": -10, "bin_ev": 0.25, "counts": {"R": [1, 2, 3]}},
    "specks": [[0.25, 0.5]], "advice_shutter": "1/30", "sharpness": 0.02,
    "headroom_picture_ev": {"R": 1.5},
}  # fmt: skip


def test_facts_are_read_with_their_types() -> None:
    facts = Facts.read(GOOD)
    assert facts.verdict is Verdict.LOOK
    assert facts.has("askew")
    assert facts.texts == ("It lies askew.",)
    assert facts.framing is not None
    assert facts.framing.sound
    assert facts.framing.corners == ((1.0, 2.0), (30.0, 2.0), (30.0, 20.0), (1.0, 20.0))
    assert (facts.rotation_degrees, facts.base_ev, facts.advice_shutter) == (2.5, -0.5, "1/30")
    assert facts.base == {"R": 0.7, "G1": 0.6}
    assert facts.histogram is not None
    assert facts.histogram.counts == {"R": (1.0, 2.0, 3.0)}
    assert facts.specks == ((0.25, 0.5),)
    assert pickle.loads(pickle.dumps(facts)) == facts


def test_a_base_is_called_seen_where_it_was_in_view() -> None:
    for source, seen in (("rebate", -0.5), ("", -0.5), ("roll", None), ("picture", None)):
        assert Facts.read(GOOD | {"base_source": source}).seen_base_ev == seen


def test_a_persons_word_on_the_side_comes_before_the_bar_codes() -> None:
    code = {"edge_code": {"base_side_to_lens": False, "at_mm": 1.0}}
    assert Facts.read(GOOD).base_side is None
    assert Facts.read(GOOD | code).base_side is False
    assert Facts.read(GOOD | code | {"base_side_to_lens": True}).base_side is True


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("verdict", 3),
        ("findings", "x"),
        ("findings", [3]),
        ("findings", [{"code": 7}]),
        ("framing", []),
        ("framing", {"corners": [[1, "x"]]}),
        ("framing", {"missing_mm": {"left": "much"}}),
        ("base_ev", "high"),
        ("base_ev", True),
        ("base_ev", float("inf")),
        ("base", {"R": "x"}),
        ("histogram", {"counts": {"R": "abc"}}),
        ("histogram", {"counts": {"R": [None]}}),
        ("advice_shutter", 30),
        ("specks", [[0.5]]),
        ("specks", [[0.5, 7.0]]),
        ("specks", 3),
    ],
)
def test_what_is_damaged_is_named_and_the_rest_is_read(key: str, value: object) -> None:
    facts = Facts.read(GOOD | {key: value})
    assert facts.has("facts-damaged")
    assert key in facts.findings[-1].text
    assert facts.stored[key] == value
    assert key == "advice_shutter" or facts.advice_shutter == "1/30"
    assert key == "base_ev" or facts.base_ev == -0.5


@pytest.mark.parametrize("text", ["", "{", "[1]", "null", '"x"'])
def test_a_row_that_is_no_facts_at_all_is_said_to_be_damaged(text: str) -> None:
    facts = Facts.from_text(text)
    assert [f.code for f in facts.findings] == ["facts-damaged"]
    assert facts.verdict is Verdict.UNJUDGED


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(sorted(GOOD)), _json))
def test_no_stored_value_stops_the_program(stored: dict[str, object]) -> None:
    facts = Facts.from_text(json.dumps(stored))
    assert set(facts.stored) == set(stored)
    assert all(isinstance(f.severity, Severity) for f in facts.findings)


def test_what_a_newer_program_wrote_is_shown_and_goes_back_as_it_was(archive: Archive) -> None:
    stored = {
        "verdict": "send-out",
        "findings": [
            {"code": "of-tomorrow", "severity": "urgent", "text": "New.", "certainty": 0.9}
        ],
        "spectrum": {"peaks": [1, 2]},
    }
    roll = archive.store.rolls.add(NewRoll("Quay", FilmProcess.BW_NEGATIVE, "135", 4, 4))
    new = Capture(
        0, 1, 1, "q_f001_t1.dng", 5, "0" * 64, "2026-03-01T09:00:00+00:00", "program",
        verdict=Verdict("send-out"), facts=Facts.read(stored),
    )  # fmt: skip
    archive.store.frames.add_release(roll, [new])
    ((capture,), *_) = (f.captures for f in archive.store.frames.of(roll))
    assert capture.verdict == "send-out"
    assert (capture.verdict.mark, capture.verdict.word) == ("?", "send-out")
    (finding,) = capture.facts.findings
    assert (finding.code, finding.severity.word, finding.text) == ("of-tomorrow", "urgent", "New.")
    archive.store.frames.set_judgement(capture.id, capture.verdict, capture.facts, b"")
    (again, *_) = (f.captures[0] for f in archive.store.frames.of(roll) if f.captures)
    assert again.facts.stored == stored


def test_facts_that_commit_8593120_stored_are_read_whole() -> None:
    archives = Path(__file__).parent / "fixtures" / "archives_8593120"
    files = [p for name in ("finished", "interrupted") for p in (archives / name).rglob("f0*.json")]
    stored = [c["facts"] for path in files for c in json.loads(path.read_text())["captures"]]
    judged = [facts for facts in stored if facts]
    assert judged
    for facts in map(Facts.read, judged):
        assert not facts.has("facts-damaged"), facts.findings
        assert facts.verdict in tuple(Verdict)
        assert facts.histogram is not None or facts.verdict is Verdict.UNJUDGED
