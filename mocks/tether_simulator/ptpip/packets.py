"""Packets of PTP/IP and the datasets of PTP, packed and unpacked. All numbers little-endian.

Layouts: PTP/IP packets from CIPA DC-005, datasets from ISO 15740.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from tether_simulator.ptp import (
    STANDARD_VERSION,
    DataType,
    FailReason,
    ObjectFormat,
    PacketType,
)

HEADER = struct.Struct("<II")
LONGEST_PACKET = 1 << 20
"""Bytes; an initiator has no reason to send a longer one to a camera that takes no objects."""

PROTOCOL_VERSION = 0x00010000
MOST_PARAMETERS = 5
LONGEST_STRING = 254
"""UTF-16 units of a PTP string, besides the final null."""

_NUMBERS = {
    DataType.UINT8: struct.Struct("<B"),
    DataType.UINT16: struct.Struct("<H"),
    DataType.UINT32: struct.Struct("<I"),
}


class BadPacket(Exception):
    """What came is not what the protocol allows."""


def packet(kind: PacketType, body: bytes = b"") -> bytes:
    """Return a whole packet: length, type, body."""
    return HEADER.pack(HEADER.size + len(body), kind) + body


def init_command_ack(connection: int, guid: bytes, name: str) -> bytes:
    """Return the answer to a command connection's first packet; ``guid`` of 16 bytes."""
    body = struct.pack("<I", connection) + guid + name.encode("utf-16-le") + b"\0\0"
    return packet(PacketType.INIT_COMMAND_ACK, body + struct.pack("<I", PROTOCOL_VERSION))


def init_fail(reason: FailReason) -> bytes:
    """Return the refusal of a connection."""
    return packet(PacketType.INIT_FAIL, struct.pack("<I", reason))


def operation_response(code: int, transaction: int, parameters: Sequence[int] = ()) -> bytes:
    """Return the end of a transaction."""
    body = struct.pack(f"<HI{len(parameters)}I", code, transaction, *parameters)
    return packet(PacketType.OPERATION_RESPONSE, body)


def event(code: int, transaction: int, parameters: Sequence[int] = ()) -> bytes:
    """Return an event."""
    body = struct.pack(f"<HI{len(parameters)}I", code, transaction, *parameters)
    return packet(PacketType.EVENT, body)


def start_data(transaction: int, total: int) -> bytes:
    """Return the packet that opens a data phase of ``total`` bytes."""
    return packet(PacketType.START_DATA, struct.pack("<IQ", transaction, total))


def data_header(kind: PacketType, transaction: int, size: int) -> bytes:
    """Return what goes before ``size`` bytes of data in a Data or End Data packet."""
    return HEADER.pack(HEADER.size + 4 + size, kind) + struct.pack("<I", transaction)


@dataclass(frozen=True, slots=True)
class Hello:
    """An Init Command Request: who connects."""

    guid: bytes
    name: str
    version: int


def read_hello(body: bytes) -> Hello:
    """Unpack an Init Command Request. Raises `BadPacket`."""
    if len(body) < 16 + 2 + 4 or len(body) % 2:
        raise BadPacket("an Init Command Request of the wrong length")
    name = body[16:-4]
    if name[-2:] != b"\0\0":
        raise BadPacket("a friendly name without its end")
    try:
        text = name[:-2].decode("utf-16-le")
    except UnicodeDecodeError as error:
        raise BadPacket("a friendly name that is not UTF-16") from error
    return Hello(body[:16], text, struct.unpack("<I", body[-4:])[0])


@dataclass(frozen=True, slots=True)
class Request:
    """An Operation Request; ``sends_data`` where the initiator sends a data phase."""

    code: int
    transaction: int
    parameters: tuple[int, ...]
    sends_data: bool

    def parameter(self, index: int) -> int:
        """Return a parameter, 0 where it was left out (ISO 15740: unused parameters are 0)."""
        return self.parameters[index] if index < len(self.parameters) else 0


def read_request(body: bytes) -> Request:
    """Unpack an Operation Request. Raises `BadPacket`."""
    count, rest = divmod(len(body) - 10, 4)
    if rest or not 0 <= count <= MOST_PARAMETERS:
        raise BadPacket("an Operation Request of the wrong length")
    phase, code, transaction, *parameters = struct.unpack(f"<IHI{count}I", body)
    if phase not in {1, 2}:
        raise BadPacket(f"a data phase of the unknown kind {phase}")
    return Request(code, transaction, tuple(parameters), phase == 2)


def string(text: str) -> bytes:
    """Pack a string: a count of UTF-16 units, the units, a null. Cut where it is too long."""
    if not text:
        return b"\0"
    units = text.encode("utf-16-le", "surrogatepass")[: 2 * LONGEST_STRING] + b"\0\0"
    return bytes([len(units) // 2]) + units


def array(code: str, values: Iterable[int]) -> bytes:
    """Pack an array; ``code`` is the element's letter in `struct`: ``H`` or ``I``."""
    items = tuple(values)
    return struct.pack(f"<I{len(items)}{code}", len(items), *items)


def when(moment: datetime) -> str:
    """Return a PTP DateTime string: ``20240504T100000``."""
    return moment.strftime("%Y%m%dT%H%M%S")


def read_when(text: str) -> datetime:
    """Read a PTP DateTime string; tenths of a second and zone are left out.

    Raises ValueError for anything else.
    """
    return datetime.strptime(text[:15], "%Y%m%dT%H%M%S")


Value = int | str


def value(kind: DataType, item: Value) -> bytes:
    """Pack a property's value."""
    if kind is DataType.STRING:
        return string(str(item))
    return _NUMBERS[kind].pack(item)


def read_value(kind: DataType, data: bytes) -> Value:
    """Unpack a property's value. Raises `BadPacket` where the bytes are too many or too few."""
    if kind is not DataType.STRING:
        packer = _NUMBERS[kind]
        if len(data) != packer.size:
            raise BadPacket("a value of the wrong length")
        return int(packer.unpack(data)[0])
    if not data or len(data) != 1 + 2 * data[0]:
        raise BadPacket("a string of the wrong length")
    try:
        return data[1:].decode("utf-16-le").removesuffix("\0")
    except UnicodeDecodeError as error:
        raise BadPacket("a string that is not UTF-16") from error


def device_info(
    *,
    vendor: int,
    operations: Iterable[int],
    events: Iterable[int],
    properties: Iterable[int],
    capture_formats: Iterable[int],
    image_formats: Iterable[int],
    maker: str,
    model: str,
    version: str,
    serial: str,
) -> bytes:
    """Pack a DeviceInfo dataset."""
    return b"".join(
        (
            struct.pack("<HIH", STANDARD_VERSION, vendor, STANDARD_VERSION),
            string(""),
            struct.pack("<H", 0),
            array("H", operations),
            array("H", events),
            array("H", properties),
            array("H", capture_formats),
            array("H", image_formats),
            string(maker),
            string(model),
            string(version),
            string(serial),
        )
    )


def storage_info(capacity: int, free: int, pictures: int, label: str) -> bytes:
    """Pack a StorageInfo dataset: removable memory, DCF file system, read and write."""
    return struct.pack("<HHHQQI", 4, 3, 0, capacity, free, pictures) + string(label) + string("")


def object_info(
    *,
    storage: int,
    form: ObjectFormat,
    size: int,
    thumb_size: int,
    thumb: tuple[int, int],
    picture: tuple[int, int],
    parent: int,
    name: str,
    captured: datetime,
) -> bytes:
    """Pack an ObjectInfo dataset; a folder is an association of type 1 (generic folder).

    A size that does not fit 32 bits is given as 0xFFFFFFFF.
    """
    folder = form is ObjectFormat.ASSOCIATION
    numbers = struct.pack(
        "<IHHIHIIIIIIIHII",
        storage,
        form,
        0,
        min(size, 0xFFFFFFFF),
        ObjectFormat.JFIF if thumb_size else 0,
        thumb_size,
        *thumb,
        *picture,
        0 if folder else 48 if form is not ObjectFormat.EXIF_JPEG else 24,
        parent,
        int(folder),
        0,
        0,
    )
    date = string(when(captured))
    return numbers + string(name) + date + date + string("")


def property_description(
    code: int,
    kind: DataType,
    *,
    writable: bool,
    default: Value,
    current: Value,
    choices: Sequence[Value] = (),
    span: tuple[int, int, int] | None = None,
) -> bytes:
    """Pack a DevicePropDesc dataset, with its choices or its (low, high, step) where it has any."""
    head = struct.pack("<HHB", code, kind, writable) + value(kind, default) + value(kind, current)
    if choices:
        return (
            head + struct.pack("<BH", 2, len(choices)) + b"".join(value(kind, c) for c in choices)
        )
    if span:
        return head + b"\1" + b"".join(value(kind, item) for item in span)
    return head + b"\0"
