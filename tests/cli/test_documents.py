"""The documents fit the program: commands, options, settings, links."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from PIL import Image

from docs.make_reference import pages
from tether.cli.main import app
from tether.delivery import xmp
from tether.delivery.write_reports import COLUMNS
from tether.film import FILM_FORMATS
from tether.findings import CATALOGUE
from tether.positive.exif import Labels, ShotFacts, exif_bytes
from tether.settings import Settings
from tether.settings_file import load

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]
ANEW = "run: PYTHONPATH=. python docs/make_reference.py"
GENERATED = pages()
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


@cache
def help_of(*command: str) -> str:
    """What the program itself prints, in lines wide enough for nothing to be broken."""
    done = CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200"})
    assert done.exit_code == 0, done.output
    return done.output


def commands() -> list[str]:
    return list(app.commands)


def options_of(command: str) -> set[str]:
    listed = help_of(command).split("Options:")[1]
    names = re.findall(r"^  (--[a-z-]+(?: / --[a-z-]+)?)", listed, re.MULTILINE)
    return {name for pair in names for name in pair.split(" / ")}


def sections(page: str) -> dict[str, str]:
    """Return the text under each second heading of a page."""
    parts = re.split(r"^## (.*)$", (DOCS / page).read_text(encoding="utf-8"), flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def rows(text: str) -> Iterator[list[str]]:
    """Yield the cells of a table's rows."""
    for line in text.splitlines():
        if line.startswith("| "):
            yield [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]


def test_the_page_of_commands_names_every_command_and_nothing_else() -> None:
    headings = [heading.split()[1] for heading in sections("reference-commands.md")]
    assert sorted(headings) == sorted(commands()), ANEW


@pytest.mark.parametrize("command", commands())
def test_the_page_of_commands_names_every_option_and_nothing_else(command: str) -> None:
    page = {h.split()[1]: text for h, text in sections("reference-commands.md").items()}
    named = {option for row in rows(page[command]) for option in OPTION.findall(row[0])}
    assert named == options_of(command) - {"--help"}, ANEW


@pytest.mark.parametrize("page", GENERATED)
def test_a_page_that_is_written_from_the_program_is_not_stale(page: str) -> None:
    assert (DOCS / page).read_text(encoding="utf-8") == GENERATED[page], ANEW


def test_every_film_format_stands_in_its_table() -> None:
    text = (DOCS / "how-to-film-kinds.md").read_text(encoding="utf-8")
    table = {row[0].strip("`"): row[1] for row in rows(text) if row[0].strip("`") in FILM_FORMATS}
    assert list(table) == list(FILM_FORMATS)
    for key, words in table.items():
        form = FILM_FORMATS[key]
        sizes = {f"{form.picture_along:g}", f"{form.picture_across:g}"}
        assert sizes <= set(re.findall(r"[\d.]+", words)), f"{key} has a picture of {sizes} mm"


def test_the_example_of_a_settings_file_is_one(tmp_path: Path) -> None:
    text = (DOCS / "reference-settings.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"^```toml\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    path = tmp_path / "settings.toml"
    path.write_text(example, encoding="utf-8")
    assert load(path) != Settings()


def written_commands() -> Iterator[tuple[str, str]]:
    """Yield each use of the program in the documents, with the page it stands on."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8").replace("\\\n", " ")
        blocks = re.findall(r"^ *```sh\n(.*?)^ *```", text, re.MULTILINE | re.DOTALL)
        inline = re.findall(r"`(tether [^`]+)`", text)
        for line in [line for block in blocks for line in block.splitlines()] + inline:
            for part in re.split(r"&&|#|\|", line.replace("\n", " ")):
                use = re.match(r"\s*(?:\$ )?(?:\.venv/bin/)?tether ([a-z][a-z-]*)\b(.*)", part)
                if use:
                    yield page.name, f"{use[1]} {use[2]}".strip()


@pytest.mark.parametrize(("page", "line"), sorted(set(written_commands())))
def test_commands_in_the_documents_are_the_programs_own(page: str, line: str) -> None:
    command, *words = line.split()
    assert command in commands(), page
    known = options_of(command)
    if command == "web":  # it takes another command with its options
        known |= {o for word in words if word in commands() for o in options_of(word)}
    assert set(OPTION.findall(line)) <= known, page


def anchor(heading: str) -> str:
    """Return the address of a heading within its page, as the usual renderers make it."""
    plain = re.sub(r"[`*]|\[([^\]]*)\]\([^)]*\)", r"\1", heading).strip().lower()
    return re.sub(r"[^\w\- ]", "", plain).replace(" ", "-")


def links(page: Path) -> Iterator[str]:
    text = re.sub(r"^ *```.*?^ *```", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    yield from re.findall(r"\]\(([^)\s]+)\)", re.sub(r"`[^`]*`", "", text))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in links(page):
        target, _, place = link.partition("#")
        assert "://" not in target, "the documents are read without a network"
        there = (page.parent / target).resolve() if target else page
        assert there.exists(), link
        if place:
            headings = re.findall(r"^#+ (.*)$", there.read_text("utf-8"), re.MULTILINE)
            assert place in [anchor(heading) for heading in headings], link


def test_every_page_is_reached_from_the_first() -> None:
    linked = {link.partition("#")[0] for link in links(DOCS / "index.md")}
    pages = [*DOCS.glob("*.md"), *(DOCS / "evidence").glob("*.md")]
    assert {str(page.relative_to(DOCS)) for page in pages} - {"index.md"} <= linked


CODE = re.compile(r"`([\w./*-]+\.py|(?:tether|tether_simulator|tests)(?:[./]\w+)+)`")
NO_CODE = {"tether.sqlite3", "tether.log"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_code_that_a_page_names_is_there(page: Path) -> None:
    """Files and folders by their path, from the top or within `tether`; dotted names by module."""
    for name in set(CODE.findall(page.read_text(encoding="utf-8"))) - NO_CODE:
        path = name if "/" in name or name.endswith(".py") else name.replace(".", "/")
        attribute_of = path.rpartition("/")[0] + ".py"
        found = [
            found
            for place in (ROOT, ROOT / "tether", ROOT / "mocks", page.parent)
            for pattern in (path, f"{path}.py", attribute_of)
            for found in place.glob(pattern)
        ]
        assert found, f"{page.name} names {name}"


def test_each_test_that_guards_a_recipe_is_one() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    tests = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py"))
    named = set(re.findall(r"\*\*(test_\w+)\*\*", page))
    assert len(named) > 5
    assert [name for name in sorted(named) if f"def {name}(" not in tests] == []


def stored_keys(value: Any) -> Iterator[str]:
    """Yield the keys of stored JSON, those inside it too."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            # Facts have the keys of `tether measure`, settings those of the camera.
            if key not in ("facts", "settings", "samples", "printed", "choices", "signal"):
                yield from stored_keys(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from stored_keys(inner)


def test_every_stored_field_is_on_the_page_of_the_archive() -> None:
    page = (DOCS / "archive-files.md").read_text(encoding="utf-8")
    kept = ROOT / "tests" / "fixtures" / "archives_8593120" / "finished"
    paths = [
        kept / "archive.json",
        *sorted(kept.glob("*/*.json")),
        *sorted(kept.glob("*/*/*.json")),
    ]
    keys = {key for path in paths for key in stored_keys(json.loads(path.read_text("utf-8")))}
    assert len(keys) > 40, "the fixture holds each kind of file"
    keys |= set(COLUMNS)
    assert sorted(key for key in keys if f"`{key}`" not in page) == []


def test_every_field_that_files_carry_is_in_its_table_and_no_other() -> None:
    page = (DOCS / "metadata.md").read_text(encoding="utf-8")
    rows = [line.split("|") for line in page.splitlines() if line.startswith("| ")]
    prefixes = "|".join(xmp.NAMESPACES)
    field = rf"\b(?:{prefixes}):[A-Za-z]\w+"
    told = {name for row in rows for name in re.findall(field, row[1])}
    code = Path(xmp.__file__).read_text(encoding="utf-8")
    written = set(re.findall(rf'"({field})"', code))
    assert told == {name for name in written if not name.startswith(("x:", "rdf:"))}
    numbers = {int(n) for row in rows for n in re.findall(r"\d+", row[1]) if row[1][1].isdigit()}
    everything = Labels(
        "a", ShotFacts("a", "a", "a", "a", 1.0, 1.0, 1.0, 1.0), "a", "a", "1987-06-12",
        "2024-05-04T10:00:07.250+00:00", 1000.0,
    )  # fmt: skip
    exif = Image.Exif()
    exif.load(exif_bytes(everything, (60, 40)))
    tags = {tag for tag in exif if tag != 34665} | set(exif.get_ifd(34665))
    assert numbers == tags


def test_every_finding_has_its_advice() -> None:
    page = (DOCS / "my-verdict-says.md").read_text(encoding="utf-8")
    links = {code: f"[`{code}`](reference-findings.md#{code})" for code in CATALOGUE}
    assert [code for code, link in links.items() if link not in page] == []


def test_every_kind_of_log_line_is_on_the_page_of_the_archive() -> None:
    page = (DOCS / "archive-files.md").read_text(encoding="utf-8")
    kinds = {
        found[1]
        for path in (ROOT / "tether").rglob("*.py")
        for found in re.finditer(r'\b_?log\(\s*"([a-z]+)"', path.read_text(encoding="utf-8"))
    }
    assert {"step", "choice", "verdict"} <= kinds
    assert sorted(kind for kind in kinds if f"`{kind}`" not in page) == []


def test_every_dependency_has_its_line() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## What it is built on")[1]
    extras = [name for names in project["optional-dependencies"].values() for name in names]
    for requirement in [*project["dependencies"], *extras]:
        name = re.split(r"[<>=\[ ]", requirement)[0]
        assert f"`{name}`" in told, requirement
