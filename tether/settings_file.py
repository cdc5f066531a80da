"""The settings in a TOML file: read and checked, and written with every value commented."""

from __future__ import annotations

import json
import re
import shutil
import stat
import tomllib
from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from tether.disk import make_folder, replace_whole
from tether.errors import TetherError
from tether.settings import KeySettings, Settings
from tether.text import printable

LARGEST_FILE = 1 << 20
"""Letters beyond which a file is not one of settings."""

MOVED = {("planning", "marked_aperture"): ("bench", "aperture")}
"""Values of older settings files, and where they stand now."""


def usual_path() -> Path:
    """Return where the user's own settings file is, if there is one."""
    from platformdirs import user_config_path

    return user_config_path("tether") / "settings.toml"


def load(path: Path) -> Settings:
    """Read a settings file.

    Raises
    ------
    TetherError
        When the file cannot be read, is not TOML, names something unknown, or holds a value
        outside its range. Nothing is taken from a file with an error in it.
    """
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(LARGEST_FILE + 1)
        if len(text) > LARGEST_FILE:
            raise tomllib.TOMLDecodeError("it is too large")
        raw = tomllib.loads(text)
    except OSError as error:
        raise TetherError(
            f"The settings file {path} cannot be read: {error.strerror or error}.",
            kept="Nothing was changed.",
            todo="Check its name, or start without it to use the built-in values.",
        ) from error
    except UnicodeDecodeError as error:
        raise TetherError(
            f"The settings file {path} cannot be read: it is not text in UTF-8.",
            kept="Nothing was changed.",
            todo="Name a file made by 'tether settings --write', or use the built-in values.",
        ) from error
    except (ValueError, RecursionError) as error:  # brackets without end, a figure of 5,000 digits
        raise TetherError(
            f"The settings file {path} cannot be read: {printable(str(error), 200)}.",
            kept="Nothing was changed.",
            todo="Correct the file, or move it away to use the built-in values.",
        ) from error
    return parse(raw, str(path))


def parse(raw: Mapping[str, Any], origin: str) -> Settings:
    """Check a mapping of sections against the declared ranges; see `load`."""
    sections: dict[str, Any] = {}
    known = {f.name: f for f in fields(Settings)}
    for name, values in raw.items():
        if name not in known or not isinstance(values, Mapping):
            raise _wrong(origin, f"there is no section [{printable(name, 40)}]", sorted(known))
        if name == "keys":
            sections[name] = KeySettings(tuple(_keys(origin, values)))
            continue
        kind: Any = known[name].default_factory
        declared = {f.name: f for f in fields(kind)}
        checked: dict[str, Any] = {}
        for key, value in values.items():
            if (name, key) in MOVED:
                section, now = MOVED[name, key]
                raise _wrong(
                    origin,
                    f"[{name}] {key} is now [{section}] {now}. "
                    "Write its value there and remove this line",
                )
            if key not in declared:
                raise _wrong(
                    origin, f"[{name}] has no value '{printable(key, 40)}'", sorted(declared)
                )
            checked[key] = _checked(origin, f"[{name}] {key}", value, declared[key].metadata)
        sections[name] = kind(**checked)
    return Settings(**sections)


def _keys(origin: str, values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield keys by id as they are written; whether there is such an id, the screen knows."""
    meta = fields(KeySettings)[0].metadata
    for name, value in values.items():
        yield name, _checked(origin, f"[keys] {printable(name, 40)}", value, meta)


def _checked(origin: str, what: str, value: Any, meta: Mapping[str, Any]) -> Any:
    """Return a value as its kind wants it; raise where it is of another kind or out of range."""
    if "form" in meta:
        if not isinstance(value, str) or not re.fullmatch(meta["form"], value):
            raise _wrong(origin, f"{what} must be a text in quotes: {meta['what']}")
        return value
    if "unit" not in meta:
        if not isinstance(value, bool):
            raise _wrong(origin, f"{what} must be true or false ({meta['what']})")
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(origin, f"{what} must be a number ({meta['unit']})")
    if not meta["low"] <= value <= meta["high"]:
        # A whole number of 400 digits fits into no float.
        shown = f"{value:g}" if abs(value) < 1e300 else "a number of that length"
        raise _wrong(
            origin,
            f"{what} = {shown} is outside {meta['low']:g} to {meta['high']:g} ({meta['unit']})",
        )
    return float(value)


def _wrong(origin: str, problem: str, known: list[str] | None = None) -> TetherError:
    hint = f" Known: {', '.join(known)}." if known else ""
    return TetherError(
        f"In {origin}: {problem}.{hint}",
        kept="Nothing was changed.",
        todo="Correct the file and start again.",
    )


def keep(path: Path, section: str, name: str, value: str) -> None:
    """Write one value into a settings file; all else in it stays as it is, comments too.

    Raises
    ------
    TetherError
        When the file cannot be read or written, or is write-protected.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    file = path.resolve()  # where a link leads, and not the link, is replaced
    try:
        there = file.exists()
        document = tomlkit.parse(file.read_bytes().decode() if there else "")
        table = document.setdefault(section, tomlkit.table())
        if not isinstance(table, MutableMapping):
            raise _not_kept(path, f"'{section}' is no section in it")
        if there and not file.stat().st_mode & stat.S_IWUSR:
            raise _not_kept(path, "it is write-protected")
        table[name] = value

        def write(part: Path) -> None:
            part.write_bytes(tomlkit.dumps(document).encode())
            if there:
                shutil.copymode(file, part)

        make_folder(file.parent)
        replace_whole(file, write)
    except OSError as error:
        raise _not_kept(path, error.strerror or str(error)) from error
    except (TOMLKitError, UnicodeDecodeError) as error:
        raise _not_kept(path, str(error)) from error


def _not_kept(path: Path, why: str) -> TetherError:
    return TetherError(
        f"The settings file {path} was not changed: {why}.",
        kept="Its contents are as they were.",
        todo="Correct the file, then choose again.",
    )


def render(settings: Settings | None = None) -> str:
    """Return the settings as a TOML text, each value with its unit, range and source."""
    settings = settings or Settings()
    lines = ["# Targets, tolerances and limits. Remove a line to use the built-in value.", ""]
    for section in fields(settings):
        values: Any = getattr(settings, section.name)
        lines += [f"[{section.name}]", f"# {type(values).__doc__}"]
        if isinstance(values, KeySettings):
            lines += [f"# ID = {_said_of(fields(values)[0].metadata)}; the ids are in docs/keys.md"]
            lines += [f"{name} = {json.dumps(key)}" for name, key in values.by_id]
            lines.append("")
            continue
        for item in fields(values):
            lines += [f"# {_said_of(item.metadata)}"]
            # A JSON text of this kind is a TOML text too, as are its true and false.
            lines += [f"{item.name} = {json.dumps(getattr(values, item.name))}"]
        lines.append("")
    return "\n".join(lines)


def _said_of(meta: Mapping[str, Any]) -> str:
    if "unit" in meta:
        return f"{meta['unit']}; {meta['low']:g} to {meta['high']:g}; {meta['source']}"
    return str(meta["what"]) if "form" in meta else f"{meta['what']}; true or false"
