"""A PTP/IP responder (CIPA DC-005): the simulated camera, reachable on this computer only."""

from __future__ import annotations

import contextlib
import ipaddress
import itertools
import socket
import struct
import threading
from collections.abc import Iterable

from tether_simulator.camera.body import Body
from tether_simulator.faults import DropConnection, OperationFault, Refuse, Slow, among
from tether_simulator.ptp import (
    Event,
    FailReason,
    Operation,
    PacketType,
    Response,
)
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.link import Gone, Link, read_packet
from tether_simulator.ptpip.operations import Identity, Operations, Reply
from tether_simulator.ptpip.packets import BadPacket, Request

GUID = bytes(range(16))
HANDOVER_SECONDS = 1.0
"""How long a second initiator waits for the first one's end before it is refused."""

_NO_TRANSACTION = 0xFFFFFFFF


class Responder:
    """Serves a body to one initiator after the other, until it is closed.

    Parameters
    ----------
    body
        The camera.
    host, port
        Where to listen; ``host`` must be a loopback address, port 0 takes a free one.
    identity
        What the camera calls itself.

    Raises
    ------
    ValueError
        When ``host`` is reachable from other computers. The protocol knows no password.
    """

    def __init__(
        self,
        body: Body,
        host: str = "127.0.0.1",
        port: int = 0,
        identity: Identity | None = None,
    ) -> None:
        if not ipaddress.ip_address(host).is_loopback:
            raise ValueError(f"{host} is not a loopback address")
        self._body = body
        self._identity = identity or Identity()
        self._operations = Operations(body, self._identity)
        self._numbers = itertools.count(1)
        self._turn = threading.Lock()
        self._link: Link | None = None
        self._closed = False
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server((host, port))
        self.host = host
        self.port: int = self._listener.getsockname()[1]
        self._unsubscribe = body.subscribe(self._tell)
        self._serve(self._accept)

    @property
    def port_name(self) -> str:
        """How libgphoto2 names the way to this camera."""
        return f"ptpip:{self.host}:{self.port}:{self.port}"

    def close(self) -> None:
        """Break the connections and stop listening. The body stays as it is."""
        self._closed = True
        self._unsubscribe()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        if link := self._link:
            link.close()
        for thread in self._threads:
            thread.join()

    def _serve(self, target: object, *args: object) -> None:
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        thread = threading.Thread(target=target, args=args, name="responder", daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._closed:
            try:
                connection, address = self._listener.accept()
            except OSError:
                return
            if not ipaddress.ip_address(address[0]).is_loopback:
                connection.close()
                continue
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._serve(self._greet, connection)

    def _greet(self, connection: socket.socket) -> None:
        """Read a connection's first packet, which says what it is for."""
        try:
            connection.settimeout(HANDOVER_SECONDS * 5)
            kind, body = read_packet(connection)
            connection.settimeout(None)
            if kind is PacketType.INIT_COMMAND_REQUEST:
                packets.read_hello(body)
                self._command(connection)
            elif kind is PacketType.INIT_EVENT_REQUEST and len(body) == 4:
                self._events(connection, struct.unpack("<I", body)[0])
            else:
                raise BadPacket(f"a connection that begins with {kind.name}")
        except BadPacket:
            _refuse(connection, FailReason.REJECTED)
        except (Gone, OSError):
            connection.close()

    def _command(self, connection: socket.socket) -> None:
        link = Link(next(self._numbers), connection)
        if not self._take_turn(link):
            _refuse(connection, FailReason.BUSY)
            return
        try:
            name = self._identity.model
            link.send(packets.init_command_ack(link.number, GUID, name))
            while True:
                self._transact(link)
        except (Gone, BadPacket, OSError):
            # An initiator that breaks the protocol is left, as one that has gone.
            pass
        finally:
            self._operations.end()
            with self._turn:
                self._link = None
            link.finish()

    def _take_turn(self, link: Link) -> bool:
        before = self._link
        if before is not None:
            before.ended.wait(HANDOVER_SECONDS)
        with self._turn:
            if self._link is not None or self._closed:
                return False
            self._link = link
            return True

    def _events(self, connection: socket.socket, number: int) -> None:
        link = self._link
        if link is None or link.number != number or not link.join(connection):
            _refuse(connection, FailReason.REJECTED)
            return
        link.send_event(packets.packet(PacketType.INIT_EVENT_ACK))
        try:
            while True:
                kind, body = read_packet(connection)
                if kind is PacketType.PROBE_REQUEST:
                    link.send_event(packets.packet(PacketType.PROBE_RESPONSE))
                elif kind is PacketType.CANCEL and len(body) == 4:
                    link.cancel(struct.unpack("<I", body)[0])
                elif kind is not PacketType.PROBE_RESPONSE:
                    raise BadPacket(f"{kind.name} on the event connection")
        except (Gone, BadPacket, OSError):
            link.close()

    def _transact(self, link: Link) -> None:
        kind, body = link.read()
        if kind is PacketType.CANCEL:
            return
        if kind is not PacketType.OPERATION_REQUEST:
            raise BadPacket(f"{kind.name} where an operation should begin")
        request = packets.read_request(body)
        incoming = link.read_data(request.transaction) if request.sends_data else b""
        striking = self._body.faults.operation(request.code, request.parameter(0))
        for fault in striking:
            if isinstance(fault, DropConnection):
                link.drop_after(fault)
        if slow := among(Slow, striking):
            link.wait(slow.seconds)
        self._answer(link, request, self._perform(link, request, incoming, striking))

    def _perform(
        self, link: Link, request: Request, incoming: bytes, striking: Iterable[OperationFault]
    ) -> Reply:
        before, link.transaction = link.transaction, request.transaction
        opens = request.code == Operation.OPEN_SESSION
        if self._operations.session and not opens and request.transaction != before + 1:
            return Reply(Response.INVALID_TRANSACTION_ID)
        if refuse := among(Refuse, striking):
            return Reply(refuse.response)
        sets_property = request.code == Operation.SET_DEVICE_PROP_VALUE
        if request.sends_data is not sets_property:
            return Reply(Response.GENERAL_ERROR)
        return self._operations.perform(request, incoming)

    def _answer(self, link: Link, request: Request, answer: Reply) -> None:
        code = answer.code
        if answer.data is not None and not link.send_data(request.transaction, answer.data):
            code = Response.TRANSACTION_CANCELLED
        link.send(packets.operation_response(code, request.transaction, answer.parameters))

    def _tell(self, event: Event, parameter: int, transaction: int | None) -> None:
        link = self._link
        if link is not None and self._operations.session:
            number = _NO_TRANSACTION if transaction is None else transaction
            link.send_event(packets.event(event, number, (parameter,)))


def _refuse(connection: socket.socket, reason: FailReason) -> None:
    with contextlib.suppress(OSError):
        connection.sendall(packets.init_fail(reason))
    connection.close()
