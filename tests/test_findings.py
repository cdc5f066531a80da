"""The catalogue of findings: complete, in one place, and what the pages and screens go by."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import Any, cast

import pytest

from tether.bench.steps import BY_KEY
from tether.findings import CATALOGUE, Finding, Severity, Verdict, ranked, verdict_of
from tether.findings.kind import ACTIONS
from tether.tui.keys import TABLE

TOP = Path(__file__).resolve().parents[1]


def trees(package: str = "") -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted((TOP / "tether" / package).rglob("*.py")):
        yield path, ast.parse(path.read_text(encoding="utf-8"))


def constants(node: ast.expr) -> set[str]:
    return {str(n.value) for n in ast.walk(node) if isinstance(n, ast.Constant)}


def made() -> Iterator[tuple[Path, str, set[str], set[str]]]:
    """Yield each finding that the program makes: file, code, its cases, the data it is given."""
    for path, tree in trees():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or ast.unparse(node.func) != "Finding.of":
                continue
            code, given = node.args[0], {str(k.arg): k.value for k in node.keywords}
            assert isinstance(code, ast.Constant), (path, "a code is written out")
            case = given.pop("case", ast.Constant(""))
            named = str(code.value)
            if isinstance(case, ast.IfExp):
                cases = constants(case.body) | constants(case.orelse)
            elif isinstance(case, ast.Name):  # chosen in the lines before
                cases = {"", *CATALOGUE[named].cases}
            else:
                cases = constants(case)
            yield path, named, cases, set(given)


def names_in(template: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(template) if name}


def test_every_finding_that_the_program_makes_is_in_the_catalogue_and_the_other_way() -> None:
    assert {code for _, code, _, _ in made()} == set(CATALOGUE)


def test_each_finding_is_given_the_data_that_its_words_name() -> None:
    for path, code, cases, given in made():
        for case in cases:
            words = CATALOGUE[code].says(case)
            missing = (names_in(words.text) | names_in(words.action)) - given
            assert not missing, (path, code, case)


@pytest.mark.parametrize(
    "given",
    [
        {"code": "no-such-code"},
        {"code": "no-such-code", "severity": Severity.NOTE},
        {"code": "askew", "value": 2.0, "case": "no-such-case"},
        {"code": "askew", "value": 2.0, "severity": Severity.RESHOOT},
        {"code": "lamp-flicker", "value": 2.0},  # of more than one severity: say which
    ],
)
def test_what_the_catalogue_does_not_have_cannot_be_found(given: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="finding"):
        Finding.of(**given)


def test_steps_and_actions_that_the_catalogue_names_are_there() -> None:
    for code, kind in CATALOGUE.items():
        assert set(kind.steps) <= set(BY_KEY), code
        assert kind.helps in {"", *ACTIONS}, code
        assert kind.helps or not kind.brief, code
    assert set(ACTIONS) <= {row.id for row in TABLE["main screen"]}
    assert {s.station for s in BY_KEY.values() if s.station} == set(ACTIONS)


def test_the_verdict_is_that_of_the_gravest_and_it_comes_first() -> None:
    note, look = Finding.of("rebate-not-seen"), Finding.of("even-view")
    reshoot = Finding.of("wrong-side")
    assert ranked([note, reshoot, look]) == (reshoot, look, note)
    assert verdict_of([note, reshoot, look]) is Verdict.RESHOOT
    assert verdict_of([look, note]) is Verdict.LOOK
    assert verdict_of([note]) is Verdict.KEEP
    assert verdict_of([]) is Verdict.KEEP


def test_a_word_of_a_newer_program_is_kept_and_shown() -> None:
    verdict = Verdict("archive-it")
    assert (verdict.value, verdict.mark, verdict.word) == ("archive-it", "?", "archive-it")
    assert verdict not in tuple(Verdict)
    assert Severity("urgent").rank == Severity.LOOK.rank
    with pytest.raises(ValueError, match="3"):
        Verdict(cast(str, 3))
