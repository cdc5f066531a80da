"""libgphoto2 in a process of its own: it is the judge of the simulated camera.

A process for each connection, because libgphoto2 reads its settings once, and because a call
that hangs can only be ended with its process.
"""

from __future__ import annotations

from typing import Any

from tether.errors import TetherError
from tether.worker_process import WorkerProcess

SECONDS = 30.0
"""A call that takes longer hangs."""


class GphotoError(TetherError):
    """A call failed with a result code of libgphoto2."""

    code: int = 0


class Client:
    """python-gphoto2, connected to one port. Lives in the child process."""

    def __init__(self, port: str) -> None:
        import gphoto2 as gp

        self.gp = gp
        self.log: list[str] = []
        self._logging = gp.check_result(
            gp.gp_log_add_func(gp.GP_LOG_ERROR, lambda _level, _where, text: self.log.append(text))
        )
        self.words: list[str] = []
        self._context = gp.Context()
        self._listening = self._context.set_error_func(self._note, None)
        ports = gp.PortInfoList()
        ports.load()
        models = gp.CameraAbilitiesList()
        models.load()
        self.camera = gp.Camera()
        self.camera.set_port_info(ports[ports.lookup_path(port)])
        self.camera.set_abilities(models[models.lookup_model("PTP/IP Camera")])

    def __getattribute__(self, name: str) -> Any:
        found = object.__getattribute__(self, name)
        if name.startswith("_") or not callable(found):
            return found

        def called(*args: Any) -> Any:
            try:
                return found(*args)
            except self.gp.GPhoto2Error as error:
                raised = GphotoError(f"{error.string} ({error.code})")
                raised.code = error.code
                raise raised from None

        return called

    def _note(self, _context: object, text: bytes | str, _data: object) -> None:
        self.words.append(text.decode() if isinstance(text, bytes) else text)

    def said(self) -> list[str]:
        """Return what the driver said about refused captures."""
        return list(self.words)

    def init(self) -> None:
        self.camera.init()

    def exit(self) -> None:
        self.camera.exit()

    def errors(self) -> list[str]:
        return list(self.log)

    def summary(self) -> str:
        return str(self.camera.get_summary())

    def tree(self) -> dict[str, object]:
        """Read the whole configuration; name -> value of every leaf."""
        leaves: dict[str, object] = {}

        def walk(widget: Any) -> None:
            if widget.count_children():
                for index in range(widget.count_children()):
                    walk(widget.get_child(index))
            else:
                leaves[widget.get_name()] = widget.get_value()

        walk(self.camera.get_config())
        return leaves

    def get(self, name: str) -> Any:
        return self.camera.get_single_config(name).get_value()

    def choices(self, name: str) -> list[str]:
        return list(self.camera.get_single_config(name).get_choices())

    def set(self, name: str, value: Any) -> Any:
        widget = self.camera.get_single_config(name)
        widget.set_value(value)
        self.camera.set_single_config(name, widget)
        return self.get(name)

    def capture(self) -> tuple[str, str]:
        path = self.camera.capture(self.gp.GP_CAPTURE_IMAGE)
        return path.folder, path.name

    def trigger(self) -> None:
        self.camera.trigger_capture(self._context)

    def drain(self) -> list[Any]:
        """Take every event that has come: (kind, detail)."""
        gp, found, quiet = self.gp, [], 0
        kinds = {
            gp.GP_EVENT_FILE_ADDED: "file",
            gp.GP_EVENT_FOLDER_ADDED: "folder",
            gp.GP_EVENT_CAPTURE_COMPLETE: "complete",
        }
        while quiet < 5:
            kind, detail = self.camera.wait_for_event(10)
            if kind == gp.GP_EVENT_TIMEOUT:
                quiet += 1
                continue
            quiet = 0
            if kinds.get(kind) in {"file", "folder"}:
                # Through the library's own cast: the event's data is a path.
                detail = (detail.folder, detail.name)
            found.append((kinds.get(kind, "other"), detail))
        return found

    def files(self, folder: str = "/") -> list[tuple[str, str]]:
        found = [(folder, item[0]) for item in self.camera.folder_list_files(folder).items()]
        for name, _ in self.camera.folder_list_folders(folder).items():
            found += self.files(f"{folder.rstrip('/')}/{name}")
        return found

    def info(self, folder: str, name: str) -> tuple[int, int, str, int, int]:
        file = self.camera.file_get_info(folder, name).file
        return file.size, file.mtime, file.type, file.width, file.height

    def fetch(self, folder: str, name: str, thumbnail: bool = False) -> bytes:
        kind = self.gp.GP_FILE_TYPE_PREVIEW if thumbnail else self.gp.GP_FILE_TYPE_NORMAL
        file = self.camera.file_get(folder, name, kind)
        return _content(file)

    def read(self, folder: str, name: str, offset: int, size: int) -> bytes:
        buffer = bytearray(size)
        count = self.camera.file_read(folder, name, self.gp.GP_FILE_TYPE_NORMAL, offset, buffer)
        return bytes(buffer[:count])

    def delete(self, folder: str, name: str) -> None:
        self.camera.file_delete(folder, name)

    def preview(self) -> bytes:
        file = self.camera.capture_preview()
        return _content(file)

    def storage(self) -> list[tuple[str, str, int, int, int]]:
        return [
            (s.basedir, s.description, s.capacitykbytes, s.freekbytes, s.freeimages)
            for s in self.camera.get_storageinfo()
        ]


def _content(file: Any) -> bytes:
    """Copy a file's data. It lies in memory that goes when the file object goes."""
    return bytes(file.get_data_and_size())


class Remote:
    """A `Client` from the test's side: ``remote.capture()``, with a time limit on each call."""

    def __init__(self, port: str, log: Any = None) -> None:
        self.child = WorkerProcess(Client, port, name="libgphoto2", log=log)
        self.child.start(SECONDS)

    def __getattr__(self, name: str) -> Any:
        def call(*args: Any, seconds: float = SECONDS) -> Any:
            return self.child.call(name, *args, timeout=seconds)

        return call

    def close(self) -> None:
        self.child.close()
