"""The responder, spoken to byte by byte (CIPA DC-005 and ISO 15740), also by those who do it wrong.

Sockets have a time limit, so that a responder that says nothing fails the test.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator

import pytest
from tether_simulator.camera.body import Body
from tether_simulator.camera.card import MemoryCard
from tether_simulator.ptp import ALL, Event, Operation, PacketType, Property, Response
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.link import CHUNK, Gone, read_packet
from tether_simulator.ptpip.responder import Responder

from tests.simulator.conftest import Rig, StandIn

Build = Callable[..., Rig]
STORE = 0x00010001


class Initiator:
    """A client that can be made to say anything."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.sockets: list[socket.socket] = []
        self.command = self.dial()
        self.transaction = -1

    def dial(self) -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        self.sockets.append(made)
        return made

    def hello(self) -> int:
        """Introduce the command connection; return its number."""
        body = bytes(16) + "test".encode("utf-16-le") + b"\0\0" + struct.pack("<I", 0x10000)
        self.command.sendall(packets.packet(PacketType.INIT_COMMAND_REQUEST, body))
        kind, answer = read_packet(self.command)
        assert kind is PacketType.INIT_COMMAND_ACK
        return int(struct.unpack_from("<I", answer)[0])

    def connect(self) -> Initiator:
        """Introduce both connections."""
        number = self.hello()
        self.event = self.dial()
        request = packets.packet(PacketType.INIT_EVENT_REQUEST, struct.pack("<I", number))
        self.event.sendall(request)
        assert read_packet(self.event)[0] is PacketType.INIT_EVENT_ACK
        return self

    def open(self) -> Initiator:
        """Connect and open a session."""
        self.connect()
        assert self.ask(Operation.OPEN_SESSION, 1)[0] == Response.OK
        return self

    def send(self, code: int, *parameters: int, phase: int = 1) -> None:
        self.transaction += 1
        body = struct.pack("<IHI", phase, code, self.transaction)
        body += struct.pack(f"<{len(parameters)}I", *parameters)
        self.command.sendall(packets.packet(PacketType.OPERATION_REQUEST, body))

    def answer(self) -> tuple[int, tuple[int, ...], bytes]:
        """Read up to the response: its code, its parameters, the data before it."""
        data, announced = b"", None
        while True:
            kind, body = read_packet(self.command, 2 * CHUNK)
            if kind is PacketType.OPERATION_RESPONSE:
                code, transaction = struct.unpack_from("<HI", body)
                assert transaction == self.transaction
                if announced is not None and code == Response.OK:
                    assert len(data) == announced
                return code, struct.unpack(f"<{(len(body) - 6) // 4}I", body[6:]), data
            assert struct.unpack_from("<I", body)[0] == self.transaction
            if kind is PacketType.START_DATA:
                announced = struct.unpack_from("<Q", body, 4)[0]
            else:
                data += body[4:]

    def ask(self, code: int, *parameters: int) -> tuple[int, tuple[int, ...], bytes]:
        self.send(code, *parameters)
        return self.answer()

    def put(self, code: int, parameter: int, data: bytes) -> int:
        """Send an operation with a data phase."""
        self.send(code, parameter, phase=2)
        self.command.sendall(packets.start_data(self.transaction, len(data)))
        header = packets.data_header(PacketType.END_DATA, self.transaction, len(data))
        self.command.sendall(header + data)
        return self.answer()[0]

    def handles(self, *parameters: int) -> list[int]:
        code, _, data = self.ask(Operation.GET_OBJECT_HANDLES, *parameters)
        assert code == Response.OK
        return list(struct.unpack(f"<{len(data) // 4}I", data))[1:]

    def close(self) -> None:
        for each in self.sockets:
            each.close()


@pytest.fixture
def bench(rig: Build) -> Rig:
    return rig()


@pytest.fixture
def initiator(bench: Rig) -> Iterator[Callable[[], Initiator]]:
    made: list[Initiator] = []

    def build() -> Initiator:
        made.append(Initiator(bench.responder.port))
        return made[-1]

    yield build
    for each in made:
        each.close()


Dial = Callable[[], Initiator]


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::"])
def test_listens_on_loopback_only(host: str) -> None:
    body = Body(StandIn(), MemoryCard())
    with pytest.raises(ValueError, match="loopback"):
        Responder(body, host)
    body.close()


@pytest.mark.parametrize(
    "first",
    [
        packets.packet(PacketType.PROBE_REQUEST),
        packets.packet(PacketType.INIT_COMMAND_REQUEST, b"short"),
        packets.packet(PacketType.INIT_EVENT_REQUEST, struct.pack("<I", 999)),
        struct.pack("<II", 4, 1),
        struct.pack("<II", 0xFFFFFFFF, 1),
        struct.pack("<II", 8, 77),
    ],
)
def test_wrong_beginning_is_rejected(initiator: Dial, first: bytes) -> None:
    wrong = initiator()
    wrong.command.sendall(first)
    kind, body = read_packet(wrong.command)
    assert kind is PacketType.INIT_FAIL
    assert struct.unpack("<I", body) == (1,)
    initiator().open()


def test_second_initiator_is_refused_while_the_first_is_there(initiator: Dial) -> None:
    first, second = initiator().open(), initiator()
    second.command.sendall(
        packets.packet(PacketType.INIT_COMMAND_REQUEST, bytes(16) + b"\0\0" + bytes(4))
    )
    kind, body = read_packet(second.command)
    assert (kind, struct.unpack("<I", body)) == (PacketType.INIT_FAIL, (2,))
    assert first.ask(Operation.GET_STORAGE_IDS)[0] == Response.OK
    first.close()
    initiator().open()


def test_end_of_the_event_connection_ends_the_session(initiator: Dial) -> None:
    first = initiator().open()
    first.event.close()
    with pytest.raises(Gone):
        read_packet(first.command)
    initiator().open()


def test_probe_is_answered(initiator: Dial) -> None:
    client = initiator().connect()
    client.event.sendall(packets.packet(PacketType.PROBE_REQUEST))
    assert read_packet(client.event) == (PacketType.PROBE_RESPONSE, b"")


def test_needs_a_session(initiator: Dial) -> None:
    client = initiator().connect()
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.SESSION_NOT_OPEN
    assert client.ask(Operation.GET_DEVICE_INFO)[0] == Response.OK
    assert client.ask(Operation.OPEN_SESSION, 0)[0] == Response.INVALID_PARAMETER
    assert client.ask(Operation.OPEN_SESSION, 5)[0] == Response.OK
    assert client.ask(Operation.OPEN_SESSION, 6)[:2] == (Response.SESSION_ALREADY_OPEN, (5,))
    assert client.ask(Operation.CLOSE_SESSION)[0] == Response.OK
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.SESSION_NOT_OPEN


def test_transactions_count_up_by_one(initiator: Dial) -> None:
    client = initiator().open()
    client.transaction += 5
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.INVALID_TRANSACTION_ID
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.OK


@pytest.mark.parametrize(
    ("code", "parameters", "response"),
    [
        (0x1018, (), Response.OPERATION_NOT_SUPPORTED),
        (0x9999, (), Response.OPERATION_NOT_SUPPORTED),
        (Operation.GET_STORAGE_INFO, (1,), Response.INVALID_STORAGE_ID),
        (Operation.GET_OBJECT_HANDLES, (7,), Response.INVALID_STORAGE_ID),
        (Operation.GET_OBJECT_HANDLES, (STORE, 0, 99), Response.INVALID_PARENT_OBJECT),
        (Operation.GET_OBJECT_INFO, (99,), Response.INVALID_OBJECT_HANDLE),
        (Operation.GET_OBJECT, (1,), Response.INVALID_OBJECT_HANDLE),
        (Operation.GET_THUMB, (99,), Response.INVALID_OBJECT_HANDLE),
        (Operation.DELETE_OBJECT, (99,), Response.INVALID_OBJECT_HANDLE),
        (Operation.INITIATE_CAPTURE, (7,), Response.INVALID_STORAGE_ID),
        (Operation.INITIATE_CAPTURE, (0, 0x3000), Response.INVALID_OBJECT_FORMAT_CODE),
        (Operation.GET_DEVICE_PROP_DESC, (0x5555,), Response.DEVICE_PROP_NOT_SUPPORTED),
        (Operation.GET_DEVICE_PROP_VALUE, (0x5555,), Response.DEVICE_PROP_NOT_SUPPORTED),
        (Operation.SET_DEVICE_PROP_VALUE, (0x5007,), Response.GENERAL_ERROR),
        (Operation.GET_LIVE_VIEW_IMAGE, (), Response.NOT_LIVE_VIEW),
    ],
)
def test_refusals(
    initiator: Dial, code: int, parameters: tuple[int, ...], response: Response
) -> None:
    client = initiator().open()
    assert client.ask(code, *parameters)[0] == response
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.OK


@pytest.mark.parametrize(
    ("code", "data", "response"),
    [
        (Property.F_NUMBER, struct.pack("<H", 1100), Response.OK),
        (Property.F_NUMBER, struct.pack("<H", 1101), Response.INVALID_DEVICE_PROP_VALUE),
        (Property.F_NUMBER, struct.pack("<I", 1100), Response.INVALID_DEVICE_PROP_FORMAT),
        (Property.DATE_TIME, packets.string("20010203T040506"), Response.OK),
        (Property.DATE_TIME, packets.string("soon"), Response.INVALID_DEVICE_PROP_VALUE),
        (Property.DATE_TIME, b"\x05A\0", Response.INVALID_DEVICE_PROP_FORMAT),
        (Property.BATTERY_LEVEL, b"\x64", Response.ACCESS_DENIED),
    ],
)
def test_setting_a_property(
    initiator: Dial, code: Property, data: bytes, response: Response
) -> None:
    client = initiator().open()
    assert client.put(Operation.SET_DEVICE_PROP_VALUE, code, data) == response


def test_objects_by_folder_and_format(bench: Rig, initiator: Dial) -> None:
    client = initiator().open()
    bench.body.turn(Property.COMPRESSION_SETTING, 7)
    bench.body.release()
    bench.body.wait()
    (dcim,) = client.handles(STORE, 0, ALL)
    (folder,) = client.handles(STORE, 0, dcim)
    raw, jpeg = client.handles(ALL, 0, folder)
    assert client.handles(ALL) == [dcim, folder, raw, jpeg]
    assert client.handles(STORE, 0x3811) == [raw]
    assert client.handles(STORE, 0x3801, folder) == [jpeg]
    assert client.handles(STORE, 0x3001) == [dcim, folder]
    assert client.ask(Operation.GET_NUM_OBJECTS, STORE, 0, folder)[1] == (2,)
    assert client.ask(Operation.GET_OBJECT_HANDLES, STORE, 0, raw)[0] == (
        Response.INVALID_PARENT_OBJECT
    )


def test_parts_of_an_object(bench: Rig, initiator: Dial) -> None:
    client = initiator().open()
    bench.body.release()
    bench.body.wait()
    raw = bench.scene.picture(1).raw
    (handle,) = client.handles(STORE, 0x3811)
    part = Operation.GET_PARTIAL_OBJECT
    assert client.ask(part, handle, 100, 50) == (Response.OK, (50,), raw[100:150])
    assert client.ask(part, handle, len(raw) - 5, 50) == (Response.OK, (5,), raw[-5:])
    assert client.ask(part, handle, len(raw), 50) == (Response.OK, (0,), b"")
    assert client.ask(part, handle, 0xFFFFFFF0, 0xFFFFFFFF) == (Response.OK, (0,), b"")


def test_deleting_everything_leaves_the_folders(bench: Rig, initiator: Dial) -> None:
    client = initiator().open()
    bench.body.release()
    bench.body.wait()
    assert client.ask(Operation.DELETE_OBJECT, ALL)[0] == Response.OK
    assert [item.name for item in bench.body.card.items()] == ["DCIM", "100BENCH"]


def test_events_carry_the_capture_that_they_belong_to(bench: Rig, initiator: Dial) -> None:
    client = initiator().open()
    assert client.ask(Operation.INITIATE_CAPTURE)[0] == Response.OK
    number = client.transaction
    found: list[tuple[int, ...]] = []
    while not found or found[-1][0] != Event.CAPTURE_COMPLETE:
        kind, body = read_packet(client.event)
        assert kind is PacketType.EVENT
        found.append(struct.unpack("<HII", body))
    assert [(code, transaction) for code, transaction, _ in found] == [
        (Event.OBJECT_ADDED, number),
        (Event.OBJECT_ADDED, number),
        (Event.CAPTURE_COMPLETE, number),
    ]
    bench.body.press_button()
    assert struct.unpack("<HII", read_packet(client.event)[1])[:2] == (
        Event.OBJECT_ADDED,
        0xFFFFFFFF,
    )


def test_cancelled_transfer(rig: Build) -> None:
    # Far more than the sockets' buffers hold, so that it is still under way when it is cancelled.
    bench = rig(size=60_000_000)
    bench.body.release()
    bench.body.wait()
    client = Initiator(bench.responder.port).open()
    (handle,) = client.handles(STORE, 0x3811)
    client.send(Operation.GET_OBJECT, handle)
    assert read_packet(client.command)[0] is PacketType.START_DATA
    cancel = packets.packet(PacketType.CANCEL, struct.pack("<I", client.transaction))
    client.event.sendall(cancel)
    client.event.sendall(packets.packet(PacketType.PROBE_REQUEST))
    assert read_packet(client.event)[0] is PacketType.PROBE_RESPONSE
    code, _, data = client.answer()
    assert code == Response.TRANSACTION_CANCELLED
    assert len(data) < 60_000_000
    assert client.ask(Operation.GET_STORAGE_IDS)[0] == Response.OK
    client.close()


@pytest.mark.parametrize(
    "nonsense",
    [
        packets.packet(PacketType.EVENT, bytes(6)),
        packets.packet(PacketType.OPERATION_REQUEST, bytes(9)),
        packets.packet(PacketType.OPERATION_REQUEST, struct.pack("<IHI", 9, 0x1004, 1)),
        struct.pack("<II", 3, 6),
        b"\0" * 64,
    ],
)
def test_nonsense_ends_the_connection_and_nothing_else(initiator: Dial, nonsense: bytes) -> None:
    client = initiator().open()
    client.command.sendall(nonsense)
    with pytest.raises(Gone):
        read_packet(client.command)
    assert initiator().open().ask(Operation.GET_STORAGE_IDS)[0] == Response.OK
