"""Why something does not work: program, archive, disk, camera and terminal examined.

A report for others is the same with settings and log in one file, without pictures and names.
"""

from __future__ import annotations

import json
import locale
import os
import platform
import re
import shutil
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

from tether import __version__
from tether.archive.archive import Archive
from tether.archive.file_system import file_system_of
from tether.bench.camera_check import clock_ahead
from tether.camera.discovery import device_file, find_cameras, holders, not_allowed
from tether.camera.errors import NoCamera
from tether.camera.process import connect
from tether.camera.protocol import Role
from tether.cli.options import read_settings
from tether.errors import TetherError
from tether.findings.detectors import switched_off
from tether.log_file import driver_log, log_files, log_folder
from tether.paths import reason
from tether.settings import Settings
from tether.settings_file import render
from tether.text import megabytes, plural, printable

MARKS = {"ok": "✓", "look": "!", "wrong": "✗"}
"""By status: all is well, worth knowing, and in the way of the work."""

_LEAST_COLUMNS, _LEAST_ROWS = 80, 24


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was examined: ``status`` is a key of `MARKS`; documented in docs/json.md."""

    check: str
    status: str
    text: str
    action: str = ""

    def lines(self) -> Iterator[str]:
        """Say it."""
        yield f"{MARKS[self.status]} {self.check:<10} {printable(self.text, 1000)}"
        if self.action:
            yield f"  {'':<10} {printable(self.action, 1000)}"


def examine(archive: Path, settings_file: Path | None, port: str | None) -> list[Check]:
    """Examine all; a check that cannot be made says why. The camera's clock is read at the end."""
    settings, found = Settings(), [*_programs()]
    try:
        settings = read_settings(settings_file)
        found.append(Check("settings", "ok", "The settings can be read."))
        if off := switched_off(settings.detectors):
            words = f"Frames are not searched for: {', '.join(off)}."
            todo = "[detectors] in the settings file switches them on."
            found.append(Check("detectors", "look", words, todo))
    except TetherError as error:
        found.append(_of(error, "settings"))
    found += [*_archive(archive, settings), *_cameras(settings, port), *_terminal()]
    logs = log_files()
    size = megabytes(sum(path.stat().st_size for path in logs)) if logs else "empty"
    found.append(Check("log", "ok", f"{log_folder()} ({size})"))
    return found


def _of(error: TetherError, check: str, status: str = "wrong") -> Check:
    return Check(check, status, error.what, error.todo)


def _programs() -> Iterator[Check]:
    yield Check(
        "program",
        "ok",
        f"tether {__version__}, Python {platform.python_version()}, "
        f"{platform.platform(terse=True)}",
    )
    parts: tuple[tuple[str, Callable[[], str]], ...] = (
        ("libgphoto2", _libgphoto2),
        ("LibRaw", _libraw),
        *((name, partial(version, name)) for name in ("textual", "numpy", "pillow")),
    )
    known = []
    for name, ask in parts:
        try:
            known.append(f"{name} {ask()}")
        except Exception as error:  # whatever an incomplete installation raises
            yield Check(
                "libraries",
                "wrong",
                f"{name} cannot be loaded: {error}.",
                "In the folder of this program: .venv/bin/pip install .",
            )
    yield Check("libraries", "ok", ", ".join(known))


def _libgphoto2() -> str:
    import gphoto2

    return str(gphoto2.gp_library_version(gphoto2.GP_VERSION_SHORT)[0])


def _libraw() -> str:
    import rawpy

    return ".".join(map(str, rawpy.libraw_version))


def _archive(root: Path, settings: Settings) -> Iterator[Check]:
    if not root.exists():
        yield Check("archive", "look", f"{root} does not exist yet. The first roll makes it.")
        root = next((parent for parent in root.absolute().parents if parent.exists()), Path("/"))
    else:
        try:
            with closing(Archive(root, create=False)) as opened:
                count = opened.store.rolls.totals().rolls
            yield Check("archive", "ok", f"{root}: {plural(count, 'roll')}.")
        except TetherError as error:
            yield _of(error, "archive")
    try:
        with tempfile.TemporaryFile(dir=root):
            pass
    except OSError as error:
        yield Check(
            "disk",
            "wrong",
            f"Nothing can be written to {root}: {reason(error)}.",
            "Attach the disk, and check that you may write to it.",
        )
        return
    disk = file_system_of(root)
    if disk.is_shared:
        yield Check(
            "disk",
            "look",
            f"The archive is on a network disk ({disk.kind}).",
            "Use it from one computer at a time.",
        )
    else:
        yield Check("disk", "ok", f"Can be written to; file system: {disk.kind or 'not known'}.")
    free = shutil.disk_usage(root).free
    frames = int(max(0.0, free - settings.storage.spare_bytes) // settings.storage.raw_bytes)
    text = f"{megabytes(free)} free, about {frames} pictures."
    if frames < 1:
        yield Check("room", "wrong", text, "Make room on the disk, or use another one.")
    else:
        yield Check("room", "ok" if frames >= 36 else "look", text)


def _cameras(settings: Settings, port: str | None) -> Iterator[Check]:
    try:
        found = find_cameras(settings.camera)
    except TetherError as error:
        yield _of(error, "camera")
        return
    ports = [port] if port else [camera.port for camera in found]
    if not ports:
        yield Check(
            "camera",
            "look",
            "No camera found on USB.",
            "Connect it and switch it on. Cameras on the network are named with --camera.",
        )
    for camera in found:
        held = [h for h in holders(camera.port) if h.certain]
        by = "".join(f", held by {h.name} (process {h.pid})" for h in held)
        yield Check("camera", "look" if held else "ok", f"{camera.model} at {camera.port}{by}.")
        nothing = NoCamera("")
        refused = not_allowed(nothing, camera.port)
        if refused is not nothing:
            yield _of(refused, "udev rule")
        elif device_file(camera.port):
            yield Check("udev rule", "ok", "You may use the camera.")
    if len(ports) == 1:
        yield _clock(settings, ports[0])


def _clock(settings: Settings, port: str) -> Check:
    try:
        with closing(connect(port, settings.camera, driver_log())) as camera:
            ahead = clock_ahead(camera.state().settings.get(Role.CLOCK), time.time())
    except TetherError as error:
        return _of(error, "clock")
    if ahead is None:
        return Check("clock", "look", "The camera's clock cannot be read.", "Check it by eye.")
    if abs(ahead) <= settings.bench.clock_seconds:
        return Check("clock", "ok", "The camera's clock agrees with this computer's.")
    way = "ahead of" if ahead > 0 else "behind"
    return Check(
        "clock",
        "look",
        f"The camera's clock is {abs(ahead):.0f} s {way} this computer's.",
        "The camera check of a session can set it.",
    )


def _terminal() -> Iterator[Check]:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        yield Check("terminal", "look", "Not in a terminal, so it was not examined.")
        return
    from rich.console import Console

    from tether.tui.terminal.probe import asked

    with asked() as answer:
        drawn = answer().way.value
    columns, rows = shutil.get_terminal_size()
    colours = Console().color_system or "no"
    text = (
        f"{os.environ.get('TERM', '?')}, {columns} x {rows}, {colours} colours; pictures: {drawn}."
    )
    if "utf" not in locale.getpreferredencoding(False).lower():
        action = "Choose a language with UTF-8, for example LANG=C.UTF-8."
        yield Check("terminal", "wrong", text, action)
    elif columns < _LEAST_COLUMNS or rows < _LEAST_ROWS:
        action = f"Make the window at least {_LEAST_COLUMNS} x {_LEAST_ROWS}."
        yield Check("terminal", "look", text, action)
    else:
        yield Check("terminal", "ok", text)


def as_text(checks: Iterable[Check]) -> str:
    """Return what was found, for people."""
    return "\n".join(line for check in checks for line in check.lines())


def as_json(checks: Iterable[Check]) -> str:
    """Return what was found, for scripts."""
    return json.dumps([asdict(check) for check in checks], indent=1, ensure_ascii=False)


def exit_code(checks: Sequence[Check]) -> int:
    """Return 1 when something is in the way of the work."""
    return int(any(check.status == "wrong" for check in checks))


def write_report(
    path: Path, checks: Sequence[Check], archive: Path, settings_file: Path | None, *, names: bool
) -> list[str]:
    """Write a report for others: what was found, settings, and the log; never a picture.

    Parameters
    ----------
    names
        Whether names of rolls and folders may be in it.

    Returns
    -------
    The names of the files in it.

    Raises
    ------
    TetherError
        When the file is there already, or cannot be written.
    """
    try:
        settings = render(read_settings(settings_file))
    except TetherError as error:
        settings = f"{error}\n"
    texts = {"doctor.txt": as_text(checks), "doctor.json": as_json(checks)}
    for log in log_files():
        try:
            texts[log.name] = log.read_text("utf-8", "replace")
        except OSError as error:
            texts[log.name] = f"It cannot be read: {reason(error)}."
    texts["settings.toml"] = settings
    if not names:
        hidden = without_names(archive)
        texts = {name: hidden(text) for name, text in texts.items()}
    try:
        with zipfile.ZipFile(path, "x", zipfile.ZIP_DEFLATED) as file:
            for name, text in texts.items():
                file.writestr(name, text)
    except (OSError, ValueError) as error:
        why = reason(error) if isinstance(error, OSError) else printable(str(error), 200)
        raise TetherError(
            f"The report {printable(str(path), 400)} was not written: {why}.",
            kept="Nothing was changed.",
            todo="Name a new file in a folder that you may write to.",
        ) from error
    return sorted(texts)


def without_names(archive: Path) -> Callable[[str], str]:
    """Return what takes the names of rolls, of the archive and of the user out of a text."""
    said = {str(archive.absolute()): "ARCHIVE", str(archive): "ARCHIVE", str(Path.home()): "~"}
    try:
        with closing(Archive(archive, create=False)) as opened:
            for number, roll in enumerate(opened.store.rolls.lines(), 1):
                said |= {roll.name: f"roll {number}", roll.folder: f"roll {number}"}
    except (TetherError, OSError):
        pass  # names in quotes are taken out anyway
    known = re.compile("|".join(map(re.escape, sorted(said, key=len, reverse=True))))

    def hidden(text: str) -> str:
        text = known.sub(lambda name: said[name[0]], text)
        return re.sub(r"(?<!\w)'[^'\n]{1,300}'(?!\w)", "'…'", text)

    return hidden
