"""The house itself: how long a module is, what it may be called, and who imports whom.

The layers are a matter of import-linter (``pyproject.toml``, ``[tool.importlinter]``).
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import grimp
import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components

from tether import __version__

TOP = Path(__file__).resolve().parent.parent
PACKAGES = {"tether": TOP / "tether", "tether_simulator": TOP / "mocks" / "tether_simulator"}

LONGEST = 500
"""Lines of a module: one thought, to be read in one sitting."""

# Debts. Each may only become smaller; whoever pays one writes the new number here.
MODULES_IN_CIRCLES = 0
CLASS_NAMES_TWICE = 1
MODULES_THAT_SAVE_LITTLE = 1

PERFORMANCE = TOP / "docs" / "performance.md"
LEAST_MS = 3
"""Milliseconds that an import inside a function has to save at the start."""


def _modules(package: str) -> Iterator[tuple[str, Path]]:
    folder = PACKAGES[package]
    for path in sorted(folder.rglob("*.py")):
        parts = (package, *path.relative_to(folder).with_suffix("").parts)
        yield ".".join(parts).removesuffix(".__init__"), path


def _trees(package: str) -> Iterator[tuple[str, ast.Module]]:
    for name, path in _modules(package):
        yield name, ast.parse(path.read_text())


def _circles() -> list[list[str]]:
    """Groups of modules that import each other, at whatever place in the module."""
    graph = grimp.build_graph(*PACKAGES, cache_dir=None)
    modules = sorted(graph.modules)
    place = {name: number for number, name in enumerate(modules)}
    imports = np.zeros((len(modules), len(modules)), dtype=bool)
    for name in modules:
        for imported in graph.find_modules_directly_imported_by(name):
            imports[place[name], place[imported]] = True
    _, groups = connected_components(imports, connection="strong")
    members = defaultdict(list)
    for name, group in zip(modules, groups, strict=True):
        members[group].append(name)
    return [names for names in members.values() if len(names) > 1]


def late_imports() -> dict[str, list[str]]:
    """Return what each module of `tether` imports inside functions."""
    modules = {name for package in PACKAGES for name, _ in _modules(package)}
    late: defaultdict[str, set[str]] = defaultdict(set)
    for name, tree in _trees("tether"):
        for function in ast.walk(tree):
            if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            for node in ast.walk(function):
                if isinstance(node, ast.ImportFrom):
                    within = {f"{node.module}.{alias.name}" for alias in node.names} & modules
                    late[name] |= within or {str(node.module)}
                elif isinstance(node, ast.Import):
                    late[name] |= {alias.name for alias in node.names}
    return {name: sorted(late[name]) for name in sorted(late)}


@pytest.mark.parametrize("package", PACKAGES)
def test_a_module_is_read_in_one_sitting(package: str) -> None:
    lengths = {name: len(path.read_text().splitlines()) for name, path in _modules(package)}
    assert len(lengths) > 30, "the modules were found"
    assert {name: length for name, length in lengths.items() if length > LONGEST} == {}


def test_a_class_name_means_one_thing() -> None:
    homes = defaultdict(list)
    for name, tree in _trees("tether"):
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                homes[node.name].append(name)
    twice = {name: modules for name, modules in homes.items() if len(modules) > 1}
    assert len(twice) <= CLASS_NAMES_TWICE, twice


def test_no_module_imports_one_that_imports_it() -> None:
    circles = _circles()
    assert sum(map(len, circles)) <= MODULES_IN_CIRCLES, "\n".join(map(", ".join, circles))


def test_an_import_inside_a_function_is_listed_with_the_time_it_saves() -> None:
    rows = re.findall(
        r"^\| `(tether[\w.]*)` \| (.*) \| (\d+) \|$", PERFORMANCE.read_text(), re.MULTILINE
    )
    listed = {module: re.findall(r"`([\w.]+)`", names) for module, names, _ in rows}
    assert listed == late_imports(), "run: python -m tests.benchmarks.late_imports --write"
    little = [module for module, _, saved in rows if int(saved) < LEAST_MS]
    assert len(little) <= MODULES_THAT_SAVE_LITTLE, little


def test_what_is_installed_is_the_program_and_its_simulated_bench() -> None:
    """A package called ``mocks`` in everybody's environment would hide other people's."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text())
    packages = project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    assert [TOP / folder for folder in packages] == list(PACKAGES.values())
    assert all((folder / "py.typed").exists() for folder in PACKAGES.values())
    assert not list((TOP / "mocks").glob("*.py"))


def test_the_version_is_written_once() -> None:
    text = (TOP / "pyproject.toml").read_text()
    assert tomllib.loads(text)["project"]["dynamic"] == ["version"]
    assert f'"{__version__}"' not in text
