"""A stand-in for libgphoto2 that follows a script, with a clock of its own.

It knows what the real library does and a well-behaved camera never shows: events that come
twice, late, or not at all, and a list of files that stays as it was until the connection is made
anew (``files_dirty`` in ``libgphoto2/gphoto2-filesys.c``).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

PICTURE = bytes(range(256)) * 4000
"""What the virtual camera of libgphoto2 hands back: it does not look into a picture."""

FOLDER = "/store_00010001/DCIM/100COPY"
ADDED, COMPLETE, OTHER, TIMEOUT = 2, 4, 0, 1


class GPhoto2Error(Exception):
    def __init__(self, code: int, string: str = "scripted") -> None:
        super().__init__(code, string)
        self.code = code
        self.string = string


@dataclass
class Widget:
    value: Any
    choices: tuple[str, ...] = ()
    readonly: bool = False
    kind: int = 5
    range: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def get_type(self) -> int:
        return self.kind

    def get_value(self) -> Any:
        return self.value

    def set_value(self, value: Any) -> None:
        self.value = value

    def get_choices(self) -> tuple[str, ...]:
        return self.choices

    def get_readonly(self) -> int:
        return int(self.readonly)

    def get_range(self) -> tuple[float, float, float]:
        return self.range


@dataclass
class Script:
    """What the camera has, and what it does when it is fired."""

    settings: dict[str, Widget] = field(default_factory=dict)
    card: dict[tuple[str, str], tuple[bytes, int]] = field(default_factory=dict)
    listed: set[tuple[str, str]] = field(default_factory=set)
    events: list[tuple[float, int, Any]] = field(default_factory=list)
    on_fire: Callable[[Script], None] = lambda _script: None
    failures: dict[str, int] = field(default_factory=dict)
    calls: list[str] = field(default_factory=list)
    now: float = 1000.0
    impatient: bool = False
    stuck: set[str] = field(default_factory=set)
    sends: Callable[[bytes], bytes] = lambda data: data

    def later(self, seconds: float, kind: int, data: Any = None) -> None:
        self.events.append((self.now + seconds, kind, data))
        self.events.sort(key=lambda event: event[0])

    def picture(
        self, name: str, *, after: Iterable[float] = (), data: bytes = b"raw", time: int = 7
    ) -> None:
        """Put a picture on the card, and tell of it ``after`` so many seconds (once each)."""
        self.card[FOLDER, name] = (data, time)
        for seconds in after:
            self.later(seconds, ADDED, SimpleNamespace(folder=FOLDER, name=name))

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def happen(self, call: str) -> None:
        self.calls.append(call)
        if call in self.failures:
            raise GPhoto2Error(self.failures[call])


class Items(list[Any]):
    def items(self) -> list[tuple[str, None]]:
        return [(name, None) for name in self]


class Camera:
    def __init__(self, script: Script) -> None:
        self.script = script

    def init(self, _context: object) -> None:
        self.script.happen("init")
        self.script.listed = set(self.script.card)

    def exit(self, _context: object) -> None:
        self.script.happen("exit")

    def get_abilities(self) -> Any:
        return SimpleNamespace(model="Scripted Body")

    def get_port_info(self) -> Any:
        return SimpleNamespace(get_path=lambda: "usb:001,009")

    def get_storageinfo(self, _context: object) -> list[Any]:
        self.script.happen("storage")
        return [SimpleNamespace(fields=32 | 64, freekbytes=2048, freeimages=9)]

    def list_config(self, _context: object) -> Items:
        return Items(self.script.settings)

    def get_single_config(self, name: str, _context: object) -> Widget:
        self.script.happen(f"get {name}")
        return replace(self.script.settings[name])

    def set_single_config(self, name: str, widget: Widget, _context: object) -> None:
        self.script.happen(f"set {name}")
        if name not in self.script.stuck:
            self.script.settings[name] = widget

    def folder_list_files(self, folder: str, _context: object) -> Items:
        self.script.happen("list")
        return Items(sorted(name for where, name in self.script.listed if where == folder))

    def folder_list_folders(self, folder: str, _context: object) -> Items:
        below = folder.rstrip("/") + "/"
        inside = [where for where, _ in self.script.listed if where.startswith(below)]
        return Items({where[len(below) :].split("/")[0] for where in inside})

    def file_get_info(self, folder: str, name: str, _context: object) -> Any:
        if (folder, name) not in self.script.card:
            raise GPhoto2Error(-108)
        data, time = self.script.card[folder, name]
        return SimpleNamespace(file=SimpleNamespace(fields=4 | 128, size=len(data), mtime=time))

    def file_get(self, folder: str, name: str, _kind: int, target: int, _context: object) -> None:
        self.script.calls.append(f"fetch {folder} {name}")
        if (folder, name) not in self.script.card:
            raise GPhoto2Error(-108)
        os.write(target, self.script.sends(self.script.card[folder, name][0]))
        os.close(target)
        self.script.happen("fetched")

    def trigger_capture(self, _context: object) -> None:
        self.script.happen("trigger")
        self.script.on_fire(self.script)

    def capture(self, _kind: int, _context: object) -> Any:
        self.script.happen("capture")
        self.script.on_fire(self.script)
        _, _, path = self.script.events.pop(0)
        return path

    def wait_for_event(self, milliseconds: int, _context: object) -> tuple[int, Any]:
        script = self.script
        if "event" in script.failures:
            raise GPhoto2Error(script.failures["event"])
        until = script.now + (0 if script.impatient else milliseconds / 1000)
        if script.events and script.events[0][0] <= until:
            when, kind, data = script.events.pop(0)
            script.now = max(script.now, when)
            if kind == ADDED:
                script.listed.add((data.folder, data.name))
            return kind, data
        script.now = until
        return TIMEOUT, None

    def capture_preview(self, _file: object, _context: object) -> Any:
        return SimpleNamespace(get_data_and_size=lambda: memoryview(b"not a picture"))


def library(script: Script) -> Any:
    """Return what the driver may import as ``gphoto2``."""
    return SimpleNamespace(
        GPhoto2Error=GPhoto2Error,
        Camera=lambda: Camera(script),
        check_result=lambda result: result,
        Context=lambda: SimpleNamespace(set_error_func=lambda function, _data: function),
        gp_file_new_from_fd=lambda descriptor: descriptor,
        GP_CAPTURE_IMAGE=0,
        GP_FILE_TYPE_NORMAL=1,
        GP_FILE_INFO_SIZE=4,
        GP_FILE_INFO_MTIME=128,
        GP_EVENT_UNKNOWN=OTHER,
        GP_EVENT_TIMEOUT=TIMEOUT,
        GP_EVENT_FILE_ADDED=ADDED,
        GP_EVENT_CAPTURE_COMPLETE=COMPLETE,
        GP_WIDGET_RANGE=3,
        GP_WIDGET_TOGGLE=4,
        GP_WIDGET_RADIO=5,
        GP_WIDGET_MENU=6,
        GP_WIDGET_DATE=8,
        GP_STORAGEINFO_FREESPACEKBYTES=32,
        GP_STORAGEINFO_FREESPACEIMAGES=64,
    )
