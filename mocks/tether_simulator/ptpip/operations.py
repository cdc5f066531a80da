"""What the camera does on each PTP operation (ISO 15740)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tether_simulator.camera.body import Body, Refusal, Refused
from tether_simulator.camera.card import STORAGE, Item
from tether_simulator.ptp import (
    ALL,
    VENDOR_EXTENSION,
    Event,
    ObjectFormat,
    Operation,
    Property,
    Response,
)
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.packets import Request
from tether_simulator.ptpip.properties import Properties

THUMB_SIZE = (160, 120)
PATIENCE = 1.0
"""Seconds before the camera says that it is busy; libgphoto2 waits 2.5 s for an answer, and asks
twenty times for a frame of live view."""
_LIVE_HEADER = bytes(64)
"""Live view's JPEG comes after a header; nothing in this one is of use."""

_REFUSALS = {
    Refusal.BUSY: Response.DEVICE_BUSY,
    Refusal.FULL: Response.STORE_FULL,
    Refusal.BATTERY: Response.ACCESS_DENIED,
}
_FORMATS = (ObjectFormat.DNG, ObjectFormat.EXIF_JPEG)


@dataclass(frozen=True, slots=True)
class FilePart:
    """Bytes of a file on disk, to be read as they are sent."""

    path: Path
    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class Reply:
    """A response; ``data`` where it comes with a data phase."""

    code: int = Response.OK
    parameters: tuple[int, ...] = ()
    data: bytes | FilePart | None = None


@dataclass(frozen=True, slots=True)
class Identity:
    """What the camera calls itself. ``extended``: it has the vendor's extension (live view)."""

    maker: str = "Simulated"
    model: str = "Bench Camera"
    version: str = "1.0"
    serial: str = "00000001"
    extended: bool = True


class Failed(Exception):
    """An operation ends with a response other than OK."""

    def __init__(self, code: Response) -> None:
        super().__init__(code.name)
        self.code = code


class Operations:
    """The operations of one camera, for one initiator after the other."""

    def __init__(self, body: Body, identity: Identity) -> None:
        self._body = body
        self._identity = identity
        self._properties = Properties(body, extended=identity.extended)
        self.session = 0
        self._table: dict[Operation, Callable[[Request, bytes], Reply]] = {
            Operation.GET_DEVICE_INFO: self._device_info,
            Operation.OPEN_SESSION: self._open_session,
            Operation.CLOSE_SESSION: self._close_session,
            Operation.GET_STORAGE_IDS: self._storage_ids,
            Operation.GET_STORAGE_INFO: self._storage_info,
            Operation.GET_NUM_OBJECTS: self._count_objects,
            Operation.GET_OBJECT_HANDLES: self._object_handles,
            Operation.GET_OBJECT_INFO: self._object_info,
            Operation.GET_OBJECT: self._object,
            Operation.GET_THUMB: self._thumb,
            Operation.DELETE_OBJECT: self._delete,
            Operation.INITIATE_CAPTURE: self._capture,
            Operation.GET_DEVICE_PROP_DESC: self._describe_property,
            Operation.GET_DEVICE_PROP_VALUE: self._read_property,
            Operation.SET_DEVICE_PROP_VALUE: self._set_property,
            Operation.GET_PARTIAL_OBJECT: self._part,
            Operation.DEVICE_READY: self._ready,
            Operation.START_LIVE_VIEW: self._start_live_view,
            Operation.END_LIVE_VIEW: self._end_live_view,
            Operation.GET_LIVE_VIEW_IMAGE: self._live_view_image,
        }
        if not identity.extended:
            self._table = {code: do for code, do in self._table.items() if not code.of_vendor}

    def perform(self, request: Request, incoming: bytes) -> Reply:
        """Carry out a request; ``incoming`` is what came in its data phase."""
        try:
            operation = Operation(request.code)
            do = self._table[operation]
        except (ValueError, KeyError):
            return Reply(Response.OPERATION_NOT_SUPPORTED)
        free = {Operation.GET_DEVICE_INFO, Operation.OPEN_SESSION}
        if not self.session and operation not in free:
            return Reply(Response.SESSION_NOT_OPEN)
        try:
            return do(request, incoming)
        except Failed as error:
            return Reply(error.code)

    def end(self) -> None:
        """Forget the initiator: it has closed its session, or is gone."""
        self.session = 0
        self._body.live = False

    def _device_info(self, _request: Request, _incoming: bytes) -> Reply:
        identity = self._identity
        data = packets.device_info(
            vendor=VENDOR_EXTENSION if identity.extended else 0,
            operations=self._table,
            events=Event,
            properties=self._properties.codes,
            capture_formats=_FORMATS,
            image_formats=(*_FORMATS, ObjectFormat.ASSOCIATION),
            maker=identity.maker,
            model=identity.model,
            version=identity.version,
            serial=identity.serial,
        )
        return Reply(data=data)

    def _open_session(self, request: Request, _incoming: bytes) -> Reply:
        if not request.parameter(0):
            raise Failed(Response.INVALID_PARAMETER)
        if self.session:
            return Reply(Response.SESSION_ALREADY_OPEN, (self.session,))
        self.session = request.parameter(0)
        return Reply()

    def _close_session(self, _request: Request, _incoming: bytes) -> Reply:
        self.end()
        return Reply()

    def _storage_ids(self, _request: Request, _incoming: bytes) -> Reply:
        return Reply(data=packets.array("I", (STORAGE,)))

    def _storage_info(self, request: Request, _incoming: bytes) -> Reply:
        if request.parameter(0) != STORAGE:
            raise Failed(Response.INVALID_STORAGE_ID)
        card = self._body.card
        data = packets.storage_info(
            card.capacity, card.free, self._body.pictures_left(), "Memory card"
        )
        return Reply(data=data)

    def _chosen(self, request: Request) -> list[int]:
        storage, form, parent = (request.parameter(index) for index in range(3))
        if storage not in {STORAGE, ALL}:
            raise Failed(Response.INVALID_STORAGE_ID)
        card = self._body.card
        if parent == 0:
            items = card.items()
        elif parent == ALL:
            items = card.children(0)
        else:
            folder = self._find(parent, Response.INVALID_PARENT_OBJECT)
            if not folder.is_folder:
                raise Failed(Response.INVALID_PARENT_OBJECT)
            items = card.children(parent)
        return [item.handle for item in items if form in {0, item.form}]

    def _count_objects(self, request: Request, _incoming: bytes) -> Reply:
        return Reply(parameters=(len(self._chosen(request)),))

    def _object_handles(self, request: Request, _incoming: bytes) -> Reply:
        return Reply(data=packets.array("I", self._chosen(request)))

    def _find(self, handle: int, otherwise: Response = Response.INVALID_OBJECT_HANDLE) -> Item:
        item = self._body.card.find(handle)
        if item is None:
            raise Failed(otherwise)
        return item

    def _file(self, request: Request) -> Item:
        item = self._find(request.parameter(0))
        if item.is_folder:
            raise Failed(Response.INVALID_OBJECT_HANDLE)
        return item

    def _object_info(self, request: Request, _incoming: bytes) -> Reply:
        item = self._find(request.parameter(0))
        data = packets.object_info(
            storage=STORAGE,
            form=item.form,
            size=item.size if item.stated_size is None else item.stated_size,
            thumb_size=item.thumb_size,
            thumb=THUMB_SIZE if item.thumb_size else (0, 0),
            picture=(item.width, item.height),
            parent=item.parent,
            name=item.name,
            captured=item.captured,
        )
        return Reply(data=data)

    def _object(self, request: Request, _incoming: bytes) -> Reply:
        item = self._file(request)
        return Reply(data=FilePart(self._body.card.file_of(item), 0, item.size))

    def _part(self, request: Request, _incoming: bytes) -> Reply:
        item = self._file(request)
        offset, wanted = request.parameter(1), request.parameter(2)
        size = max(0, min(wanted, item.size - offset))
        return Reply(parameters=(size,), data=FilePart(self._body.card.file_of(item), offset, size))

    def _thumb(self, request: Request, _incoming: bytes) -> Reply:
        thumb = self._body.card.thumb(self._file(request))
        if not thumb:
            raise Failed(Response.NO_THUMBNAIL_PRESENT)
        return Reply(data=thumb)

    def _delete(self, request: Request, _incoming: bytes) -> Reply:
        card = self._body.card
        if request.parameter(1):
            raise Failed(Response.SPECIFICATION_BY_FORMAT_UNSUPPORTED)
        if request.parameter(0) == ALL:
            for item in card.items():
                if not item.is_folder:
                    card.remove(item)
            return Reply()
        card.remove(self._find(request.parameter(0)))
        return Reply()

    def _capture(self, request: Request, _incoming: bytes) -> Reply:
        if request.parameter(0) not in {0, STORAGE}:
            raise Failed(Response.INVALID_STORAGE_ID)
        if request.parameter(1) not in {0, *_FORMATS}:
            raise Failed(Response.INVALID_OBJECT_FORMAT_CODE)
        try:
            self._body.release(request.transaction)
        except Refused as error:
            raise Failed(_REFUSALS[error.reason]) from None
        return Reply()

    def _property(self, request: Request) -> Property:
        code = request.parameter(0)
        if code not in self._properties.codes:
            raise Failed(Response.DEVICE_PROP_NOT_SUPPORTED)
        return Property(code)

    def _describe_property(self, request: Request, _incoming: bytes) -> Reply:
        return Reply(data=self._properties.describe(self._property(request)))

    def _read_property(self, request: Request, _incoming: bytes) -> Reply:
        return Reply(data=self._properties.read(self._property(request)))

    def _set_property(self, request: Request, incoming: bytes) -> Reply:
        return Reply(self._properties.set(self._property(request), incoming))

    def _ready(self, _request: Request, _incoming: bytes) -> Reply:
        return Reply(Response.DEVICE_BUSY if self._body.busy else Response.OK)

    def _start_live_view(self, _request: Request, _incoming: bytes) -> Reply:
        self._body.live = True
        return Reply()

    def _end_live_view(self, _request: Request, _incoming: bytes) -> Reply:
        self._body.live = False
        return Reply()

    def _live_view_image(self, _request: Request, _incoming: bytes) -> Reply:
        if not self._body.live:
            raise Failed(Response.NOT_LIVE_VIEW)
        self._body.wait(PATIENCE)
        frame = None if self._body.busy else self._body.look(PATIENCE)
        if frame is None:
            raise Failed(Response.DEVICE_BUSY)
        return Reply(data=_LIVE_HEADER + frame)
