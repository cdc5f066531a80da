"""Packets and datasets, byte for byte."""

from __future__ import annotations

import struct
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tether_simulator.ptp import DataType, ObjectFormat, PacketType
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.packets import BadPacket

# PTP writes UTF-16 (ISO 15740); lone surrogates and nulls do not occur in it.
TEXT = st.text(st.characters(codec="utf-16-le", exclude_characters="\0"), max_size=120)


@given(TEXT)
def test_string_is_read_back(text: str) -> None:
    assert packets.read_value(DataType.STRING, packets.string(text)) == text


def test_string_as_libgphoto2_reads_it() -> None:
    # ptp_unpack_string in camlibs/ptp2/ptp-pack.c: the count has the final null in it.
    assert packets.string("AB") == b"\x03A\0B\0\0\0"
    assert packets.string("") == b"\0"


def test_too_long_a_string_is_cut() -> None:
    packed = packets.string("x" * 300)
    assert packed[0] == 255
    assert len(packed) == 1 + 2 * 255


@pytest.mark.parametrize(
    ("kind", "item", "packed"),
    [
        (DataType.UINT8, 4, b"\x04"),
        (DataType.UINT16, 0x8010, b"\x10\x80"),
        (DataType.UINT32, 667, b"\x9b\x02\0\0"),
    ],
)
def test_numbers(kind: DataType, item: int, packed: bytes) -> None:
    assert packets.value(kind, item) == packed
    assert packets.read_value(kind, packed) == item
    with pytest.raises(BadPacket):
        packets.read_value(kind, packed + b"\0")


@given(st.binary(max_size=80))
def test_nonsense_is_a_bad_packet_and_nothing_else(data: bytes) -> None:
    for read in (
        packets.read_hello,
        packets.read_request,
        lambda d: packets.read_value(DataType.STRING, d),
    ):
        try:
            read(data)
        except BadPacket:
            continue


def test_request_without_its_last_parameters() -> None:
    body = struct.pack("<IHII", 1, 0x1008, 5, 42)
    request = packets.read_request(body)
    assert (request.code, request.transaction, request.sends_data) == (0x1008, 5, False)
    assert (request.parameter(0), request.parameter(1)) == (42, 0)


def test_packet_lengths_count_the_header() -> None:
    assert packets.packet(PacketType.PROBE_REQUEST) == struct.pack("<II", 8, 13)
    # libgphoto2's ptp_ptpip_senddata sends a Start Data packet of 0x14 bytes.
    assert len(packets.start_data(1, 5)) == 0x14
    assert packets.data_header(PacketType.DATA, 9, 100) == struct.pack("<III", 112, 10, 9)


def test_object_info_layout() -> None:
    # Offsets of libgphoto2's PTP_oi_* in camlibs/ptp2/ptp-pack.c.
    data = packets.object_info(
        storage=0x10001,
        form=ObjectFormat.DNG,
        size=1 << 33,
        thumb_size=777,
        thumb=(160, 120),
        picture=(6000, 4000),
        parent=3,
        name="A.DNG",
        captured=datetime(2024, 5, 4, 10, 11, 12),
    )
    assert struct.unpack_from("<IHHI", data) == (0x10001, 0x3811, 0, 0xFFFFFFFF)
    assert struct.unpack_from("<HIIIII", data, 12) == (0x3808, 777, 160, 120, 6000, 4000)
    assert struct.unpack_from("<I", data, 38) == (3,)
    assert data[52] == len("A.DNG") + 1
    assert "20240504T101112".encode("utf-16-le") in data


def test_time_is_read_with_or_without_a_fraction() -> None:
    moment = datetime(2002, 1, 1, 12, 34)
    assert packets.read_when("20020101T123400.0") == moment
    assert packets.read_when(packets.when(moment)) == moment
    with pytest.raises(ValueError, match="does not match"):
        packets.read_when("yesterday")
