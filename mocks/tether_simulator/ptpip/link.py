"""The two connections of one initiator: packets in, packets and data out, faults on the way."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Iterator

from tether_simulator.faults import DropConnection
from tether_simulator.ptp import PacketType
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.operations import FilePart
from tether_simulator.ptpip.packets import HEADER, LONGEST_PACKET, BadPacket

CHUNK = 1 << 20
"""Bytes of data in one packet."""


class Gone(Exception):
    """The other side has left, or the connection was broken on purpose."""


def read_packet(
    connection: socket.socket, longest: int = LONGEST_PACKET
) -> tuple[PacketType, bytes]:
    """Read one packet. Raises `Gone` at the end of the stream, `BadPacket` for nonsense.

    ``longest`` is in bytes; an initiator, which reads whole chunks of data, allows more.
    """
    length, kind = HEADER.unpack(_exactly(connection, HEADER.size))
    if not HEADER.size <= length <= longest:
        raise BadPacket(f"a packet of {length} bytes")
    try:
        known = PacketType(kind)
    except ValueError as error:
        raise BadPacket(f"a packet of the unknown type {kind}") from error
    return known, _exactly(connection, length - HEADER.size)


def _exactly(connection: socket.socket, size: int) -> bytes:
    data = bytearray(size)
    view = memoryview(data)
    while view:
        try:
            received = connection.recv_into(view)
        except OSError as error:
            raise Gone from error
        if not received:
            raise Gone
        view = view[received:]
    return bytes(data)


class Link:
    """An initiator's command connection, joined by its event connection.

    ``transaction`` is the number of the last transaction.
    """

    def __init__(self, number: int, command: socket.socket) -> None:
        self.number = number
        self._command = command
        self._event: socket.socket | None = None
        self._event_turn = threading.Lock()
        self._drops: list[tuple[DropConnection, list[int]]] = []
        self._cancelled: int | None = None
        self.transaction = 0
        self.ended = threading.Event()

    def join(self, event: socket.socket) -> bool:
        """Take in the event connection; return False where there is one already."""
        with self._event_turn:
            if self._event is not None or self.ended.is_set():
                return False
            self._event = event
            return True

    def close(self) -> None:
        """Break both connections; whoever waits on them wakes up."""
        for connection in (self._command, self._event):
            if connection is not None:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def finish(self) -> None:
        """Give up the sockets, when nobody uses them any more."""
        self.close()
        self.ended.set()
        with self._event_turn:
            for connection in (self._command, self._event):
                if connection is not None:
                    connection.close()

    def read(self) -> tuple[PacketType, bytes]:
        """Read one packet from the command connection."""
        return read_packet(self._command)

    def read_data(self, transaction: int) -> bytes:
        """Read a data phase. Raises `BadPacket` where it is not what was announced."""
        kind, body = self.read()
        if kind is not PacketType.START_DATA or len(body) != 12 or _number(body) != transaction:
            raise BadPacket("no Start Data packet where data should begin")
        total = int.from_bytes(body[4:], "little")
        if total > LONGEST_PACKET:
            raise BadPacket(f"{total} bytes of data")
        data = b""
        while kind is not PacketType.END_DATA:
            kind, body = self.read()
            if kind not in {PacketType.DATA, PacketType.END_DATA} or _number(body) != transaction:
                raise BadPacket("no Data packet where data should go on")
            data += body[4:]
        if len(data) != total:
            raise BadPacket(f"{len(data)} bytes of data where {total} were announced")
        return data

    def cancel(self, transaction: int) -> None:
        """Have the data phase of a transaction end early."""
        self._cancelled = transaction

    def drop_after(self, fault: DropConnection) -> None:
        """Have the connection break when so many more bytes have been sent."""
        self._drops.append((fault, [fault.after]))

    def wait(self, seconds: float) -> None:
        """Wait, but not beyond the initiator's end. Raises `Gone`."""
        deadline = time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            readable, _, _ = select.select([self._command], [], [], left)
            if readable:
                try:
                    if not self._command.recv(1, socket.MSG_PEEK):
                        raise Gone
                except OSError as error:
                    raise Gone from error
                # Something else waits to be read; then the end cannot be seen.
                self.ended.wait(max(0.0, deadline - time.monotonic()))

    def send(self, *parts: bytes | memoryview) -> None:
        """Send on the command connection, up to where a fault breaks it. Raises `Gone`."""
        for _, left in self._drops:
            size = sum(len(part) for part in parts)
            if size < left[0] or not size:
                left[0] -= size
                continue
            with contextlib.suppress(OSError):
                self._command.sendall(b"".join(parts)[: left[0]])
            self.close()
            raise Gone
        try:
            if len(parts) == 1:
                self._command.sendall(parts[0])
            else:
                _send_all(self._command, [memoryview(part) for part in parts])
        except OSError as error:
            raise Gone from error

    def send_data(self, transaction: int, data: bytes | FilePart) -> bool:
        """Send a data phase; return False where it was cancelled."""
        total = len(data) if isinstance(data, bytes) else data.size
        self.send(packets.start_data(transaction, total))
        sent = 0
        for chunk in _chunks(data):
            if self._cancelled == transaction:
                self._cancelled = None
                self.send(packets.data_header(PacketType.END_DATA, transaction, 0))
                return False
            sent += len(chunk)
            kind = PacketType.DATA if sent < total else PacketType.END_DATA
            self.send(packets.data_header(kind, transaction, len(chunk)), chunk)
        return True

    def send_event(self, packet: bytes) -> None:
        """Send on the event connection, if there is one. An initiator that left hears nothing."""
        with self._event_turn:
            if self._event is not None and not self.ended.is_set():
                with contextlib.suppress(OSError):
                    self._event.sendall(packet)


def _number(body: bytes) -> int:
    return int.from_bytes(body[:4], "little")


def _chunks(data: bytes | FilePart) -> Iterator[bytes | memoryview]:
    """Yield the data in pieces; at least one, which may be empty."""
    if isinstance(data, bytes):
        view = memoryview(data)
        for start in range(0, max(1, len(view)), CHUNK):
            yield view[start : start + CHUNK]
        return
    with data.path.open("rb", buffering=0) as file:
        position, end = data.offset, data.offset + data.size
        while True:
            chunk = os.pread(file.fileno(), min(CHUNK, end - position), position)
            position += len(chunk)
            yield chunk
            if position >= end or not chunk:
                return


def _send_all(connection: socket.socket, views: list[memoryview]) -> None:
    while views:
        sent = connection.sendmsg(views)
        while views and sent >= len(views[0]):
            sent -= len(views.pop(0))
        if sent:
            views[0] = views[0][sent:]
