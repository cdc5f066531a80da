"""It is said plainly: no habit that makes a reader read twice is left.

They are looked for in the documents and in the program's own words (string literals of ``tether``
with blanks in them, docstrings left out). ``python -m tests.test_voice`` prints every place.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

GENERATED = frozenset(
    {"keys.md", "reference-commands.md", "reference-settings.md", "reference-findings.md"}
)
"""Pages that the program writes from its own words: they change with those."""

ELSEWHERE = frozenset(
    {"DEVELOPERS.md", "changelog.md", "performance.md", "decisions", "by-hand.md"}
)
"""Pages for those who work on the code, and a report that quotes the screens of its day."""


@dataclass(frozen=True, slots=True)
class Habit:
    """A habit: what it looks like, and what to write instead."""

    pattern: str
    instead: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a habit was found."""

    where: str
    line: int
    words: str


HABITS: Mapping[str, Habit] = {
    "lies or stands": Habit(
        r"\b(?:lies|stood|stands)\b",
        "is; 'lies' only for film on a table",
    ),
    "what is": Habit(
        r"\bwhat (?:is|was|are|were|has|lies|stands|came)\b(?![^.|]*\?)",
        "name the thing",
    ),
    "is told": Habit(
        r"\b(?:is|are|was|were|be) (?:told|said)\b",
        "the program says, shows, warns; see, detect",
    ),
    "is asked, is claimed": Habit(
        r"\b(?:is|are) asked\b(?! for)|\bnothing (?:else )?is (?:claimed|reported|judged)\b",
        "the program asks, claims nothing",
    ),
    "a for per": Habit(
        r"\b(?:frames|time|pixels|bytes|keys|hours|objects?|lines?|folders?|rows?|pictures?|space) "
        r"an? (?:frame|strip|roll|file|raw file|day|year|step|inch|channel|release)\b",
        "per",
    ),
    "old words": Habit(
        r"\b(?:anew|once more|all the same|nor|shall|gone on with|herewith|whereof)\b|; else\b",
        "again, anyway, or, will",
    ),
    "wants": Habit(r"\bwants?\b(?! to)", "needs"),
    "go on": Habit(r"\b(?:go|goes|going|gone|went) on\b", "continue, resume, next"),
    "leave out": Habit(
        r"\b(?:leaves?|left|leaving) (?:\w+ )?out\b",
        "skip",
    ),
    "double negative": Habit(
        r"\b(?:nothing to object|next to no|seldom|none whose|not un(?!der)\w+)\b",
        "say it positively",
    ),
    "from memory": Habit(r"\bfrom memory\b", "not checked against the source"),
    "per cent": Habit(r"\bper cent\b", "%"),
    "logic words": Habit(
        r", for (?:the|it|they|this|that|on|in|a) \w+ \w+s\b",
        "because",
    ),
    "printed positives": Habit(r"\bpositives? (?:is|are|were)? ?printed\b", "made"),
    "by itself": Habit(
        r"\b(?:by itself|of itself)\b",
        "without being asked; leave it away",
    ),
    "evidence in a page": Habit(r"\bmended since\b|\bwas mended\b", "to docs/evidence"),
    "old terms": Habit(
        r"\b(?:sittings?|worktable|set-up walk|bare (?:light|lamp)|empty gate|second copy)\b",
        "session, main screen, set-up, open gate, copy folder",
    ),
    "lightest": Habit(
        r"\blightest\b",
        "brightest",
    ),
    "on the bench": Habit(
        r"(?<!simulated )\bon the bench\b(?!')",
        "on the simulated bench, if that is meant",
    ),
    "keys in the third person": Habit(
        r"\[[A-Z]\w*\] (?:takes|goes|reads|asks|says|puts|leaves)\b",
        "[Enter] choose",
    ),
    "a bare name from a registry": Habit(
        r"pip install '?\"?tether",
        ".venv/bin/pip install '.[web]', from the project's folder",
    ),
}

LONGEST_SENTENCE = 30
"""Words of a sentence of a page. Twenty are the aim; lists of names need more."""

LONGEST_ON_A_SCREEN = 20
"""Words of a sentence of the program."""

NOT_A_SENTENCE = frozenset({"tether/web/guard.py"})
"""What a browser reads: the header that says what a page may load."""


def pages() -> list[Path]:
    """Return the documents that are held to the limits."""
    found = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return [
        page
        for page in found
        if page.name not in GENERATED and not ELSEWHERE & set(page.relative_to(ROOT).parts)
    ]


def prose(page: Path) -> list[str]:
    """Return a page's lines with code and the targets of links taken out; numbers stay right."""
    text = page.read_text(encoding="utf-8")
    text = re.sub(
        r"^ *```.*?^ *```$",
        lambda block: "\n" * block[0].count("\n"),
        text,
        flags=re.MULTILINE | re.DOTALL,
    )
    text = re.sub(r"\]\([^)]*\)", "]", re.sub(r"`[^`\n]*`", "`", text))
    return text.splitlines()


_NOT_FOR_PEOPLE = re.compile(
    r"\b(?:SELECT|INSERT|UPDATE|DELETE|CREATE|PRAGMA|ALTER|WHERE|ORDER BY)\b|[#.]\w+ \{|: \w+;"
)
"""SQL, and the style of screens."""


@cache
def program_strings() -> tuple[Place, ...]:
    """Return the program's words: string literals with blanks, and the page that it delivers."""
    return tuple(_program_strings())


def _program_strings() -> Iterator[Place]:
    for path in sorted((ROOT / "tether").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
        seen = {
            id(node.value)
            for parent in ast.walk(tree)
            if isinstance(parent, documented)
            for node in parent.body
            if isinstance(node, ast.Expr)
        }
        for node in ast.walk(tree):  # what is outside comes first
            if id(node) in seen:
                continue
            if isinstance(node, ast.JoinedStr):
                seen |= {id(part) for part in node.values}
                parts = (p.value if isinstance(p, ast.Constant) else "…" for p in node.values)
                words = "".join(map(str, parts))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                words = node.value
            else:
                continue
            if " " in words.strip() and not _NOT_FOR_PEOPLE.search(words):
                yield Place(str(path.relative_to(ROOT)), getattr(node, "lineno", 0), words)
    for path in sorted((ROOT / "tether").rglob("*.html")):
        text = re.sub(r"\{[#%{].*?[#%}]\}|<[^>]*>", "…", path.read_text(encoding="utf-8"))
        for number, line in enumerate(text.splitlines(), 1):
            yield Place(str(path.relative_to(ROOT)), number, line)


@cache
def document_lines() -> tuple[Place, ...]:
    """Return the lines of the documents."""
    return tuple(_document_lines())


def _document_lines() -> Iterator[Place]:
    for page in pages():
        for number, line in enumerate(prose(page), 1):
            yield Place(str(page.relative_to(ROOT)), number, line)


def found(habit: Habit, places: Iterable[Place]) -> list[Place]:
    """Return each use of a habit."""
    pattern = re.compile(habit.pattern, re.IGNORECASE)
    return [place for place in places for _ in pattern.finditer(place.words)]


def commands_shown() -> Iterator[Place]:
    """Yield the lines of the documents with their code, in which commands are shown."""
    for page in pages():
        for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1):
            yield Place(str(page.relative_to(ROOT)), number, line)


def sentences() -> Iterator[Place]:
    """Yield the sentences of paragraphs and list items; tables have none."""
    for page in pages():
        kept = [line for line in prose(page) if not line.startswith(("|", "#", "!["))]
        for block in re.split(r"\n\s*\n|\n(?=\s*(?:[-*]|\d+\.) )", "\n".join(kept)):
            for sentence in re.split(r"(?<=[.:;?!])\s+", " ".join(block.split())):
                yield Place(str(page.relative_to(ROOT)), 0, sentence)


def program_sentences() -> Iterator[Place]:
    """Yield the sentences of the program."""
    for place in program_strings():
        for sentence in re.split(r"(?<=[.?!])\s+|\n\n", place.words):
            yield Place(place.where, place.line, sentence)


def long_in_the_program() -> list[Place]:
    """Return the program's sentences that are too long for a screen."""
    return [
        sentence
        for sentence in program_sentences()
        if len(sentence.words.split()) > LONGEST_ON_A_SCREEN
        and sentence.where not in NOT_A_SENTENCE
    ]


def listed(places: list[Place]) -> str:
    """Say where, for the person who has to mend it."""
    return "\n".join(f"{p.where}:{p.line}: {p.words.strip()[:150]}" for p in places)


@pytest.mark.parametrize("name", HABITS)
def test_the_documents_have_none_of_a_habit(name: str) -> None:
    habit = HABITS[name]
    lines: Iterable[Place] = document_lines()
    if "pip install" in habit.pattern:
        lines = commands_shown()
    places = found(habit, lines)
    assert places == [], f"write instead: {habit.instead}\n{listed(places)}"


@pytest.mark.parametrize("name", HABITS)
def test_the_program_has_none_of_a_habit(name: str) -> None:
    habit = HABITS[name]
    places = found(habit, program_strings())
    assert places == [], f"write instead: {habit.instead}\n{listed(places)}"


def test_the_program_s_sentences_are_short() -> None:
    places = long_in_the_program()
    assert places == [], listed(places)


def test_the_habits_are_recognised() -> None:
    """A count of none means something only if the pattern finds what it is for."""
    samples = {
        "lies or stands": "The base lies 1.5 stops below the target.",
        "what is": "The table says what is known of it.",
        "is told": "That is said once.",
        "is asked, is claimed": "Its steps are asked.",
        "a for per": "Two keys a frame.",
        "old words": "Find the base anew.",
        "wants": "Each roll wants its shutter time.",
        "go on": "Go on after a stop.",
        "leave out": "Leave it out.",
        "double negative": "Nothing to object to.",
        "from memory": "5000 K (from memory).",
        "per cent": "10 per cent",
        "logic words": "Use a note, for the roll counts its own way.",
        "printed positives": "4 positives printed.",
        "by itself": "It runs by itself.",
        "evidence in a page": "What was wrong, and is mended since.",
        "old terms": "At the end of a sitting.",
        "lightest": "the lightest tone",
        "on the bench": "Measured on the bench.",
        "keys in the third person": "[Enter] takes it  [Esc] goes back",
        "a bare name from a registry": "pip install 'tether[web]'",
    }
    assert samples.keys() == HABITS.keys()
    for name, sample in samples.items():
        assert found(HABITS[name], [Place("sample", 1, sample)]), name


def test_sentences_are_short() -> None:
    assert [s for s in sentences() if len(s.words.split()) > LONGEST_SENTENCE] == []


@pytest.mark.parametrize("page", pages(), ids=lambda page: page.name)
def test_no_sentence_is_taken_for_a_list(page: Path) -> None:
    """A line that begins with "2. The" in the middle of a paragraph would be drawn as an item."""
    item = re.compile(r"\s*(?:\d+\.|[-*]) ")
    before = ""
    for line in prose(page):
        if item.match(line) and before.strip():
            assert item.match(before) or before.startswith(" "), line
        before = line


def main() -> None:
    """Print every place of every habit, documents first, with the counts of both."""
    for name, habit in HABITS.items():
        documents = found(habit, document_lines())
        program = found(habit, program_strings())
        print(f"== {name}: documents {len(documents)}, program {len(program)} -> {habit.instead}")
        print(listed(documents + program))
    long = long_in_the_program()
    print(f"== sentences of the program with more than {LONGEST_ON_A_SCREEN} words: {len(long)}")
    print(listed(long))


if __name__ == "__main__":
    main()
