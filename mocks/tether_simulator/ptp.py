"""Code numbers of PTP (ISO 15740) and PTP/IP (CIPA DC-005), as far as the responder uses them.

The last four operations, the shutter time as a fraction, and the state of live view belong to a
vendor's extension (number 0xA) that libgphoto2 knows; the standard itself has no live view that
libgphoto2 asks every camera for. Numbers checked against libgphoto2's ``camlibs/ptp2/ptp.h``.
"""

from __future__ import annotations

from enum import IntEnum

STANDARD_VERSION = 100
"""PTP 1.0, times a hundred."""

VENDOR_EXTENSION = 0x0000000A
ALL = 0xFFFFFFFF
"""All objects, all stores, or (as a parent) the root of a store."""


class PacketType(IntEnum):
    """PTP/IP packets (CIPA DC-005)."""

    INIT_COMMAND_REQUEST = 1
    INIT_COMMAND_ACK = 2
    INIT_EVENT_REQUEST = 3
    INIT_EVENT_ACK = 4
    INIT_FAIL = 5
    OPERATION_REQUEST = 6
    OPERATION_RESPONSE = 7
    EVENT = 8
    START_DATA = 9
    DATA = 10
    CANCEL = 11
    END_DATA = 12
    PROBE_REQUEST = 13
    PROBE_RESPONSE = 14


class FailReason(IntEnum):
    """Why a connection is refused (CIPA DC-005)."""

    REJECTED = 1
    BUSY = 2
    UNSPECIFIED = 3


class Operation(IntEnum):
    """Operations that the responder knows."""

    GET_DEVICE_INFO = 0x1001
    OPEN_SESSION = 0x1002
    CLOSE_SESSION = 0x1003
    GET_STORAGE_IDS = 0x1004
    GET_STORAGE_INFO = 0x1005
    GET_NUM_OBJECTS = 0x1006
    GET_OBJECT_HANDLES = 0x1007
    GET_OBJECT_INFO = 0x1008
    GET_OBJECT = 0x1009
    GET_THUMB = 0x100A
    DELETE_OBJECT = 0x100B
    INITIATE_CAPTURE = 0x100E
    GET_DEVICE_PROP_DESC = 0x1014
    GET_DEVICE_PROP_VALUE = 0x1015
    SET_DEVICE_PROP_VALUE = 0x1016
    GET_PARTIAL_OBJECT = 0x101B
    DEVICE_READY = 0x90C8
    START_LIVE_VIEW = 0x9201
    END_LIVE_VIEW = 0x9202
    GET_LIVE_VIEW_IMAGE = 0x9203

    @property
    def of_vendor(self) -> bool:
        """Whether it belongs to the vendor's extension."""
        return self >= 0x9000


class Response(IntEnum):
    """Response codes."""

    OK = 0x2001
    GENERAL_ERROR = 0x2002
    SESSION_NOT_OPEN = 0x2003
    INVALID_TRANSACTION_ID = 0x2004
    OPERATION_NOT_SUPPORTED = 0x2005
    PARAMETER_NOT_SUPPORTED = 0x2006
    INCOMPLETE_TRANSFER = 0x2007
    INVALID_STORAGE_ID = 0x2008
    INVALID_OBJECT_HANDLE = 0x2009
    DEVICE_PROP_NOT_SUPPORTED = 0x200A
    INVALID_OBJECT_FORMAT_CODE = 0x200B
    STORE_FULL = 0x200C
    ACCESS_DENIED = 0x200F
    NO_THUMBNAIL_PRESENT = 0x2010
    SPECIFICATION_BY_FORMAT_UNSUPPORTED = 0x2014
    DEVICE_BUSY = 0x2019
    INVALID_PARENT_OBJECT = 0x201A
    INVALID_DEVICE_PROP_FORMAT = 0x201B
    INVALID_DEVICE_PROP_VALUE = 0x201C
    INVALID_PARAMETER = 0x201D
    SESSION_ALREADY_OPEN = 0x201E
    TRANSACTION_CANCELLED = 0x201F
    NOT_LIVE_VIEW = 0xA00B


class Event(IntEnum):
    """Events that the responder sends."""

    CANCEL_TRANSACTION = 0x4001
    OBJECT_ADDED = 0x4002
    OBJECT_REMOVED = 0x4003
    DEVICE_PROP_CHANGED = 0x4006
    STORE_FULL = 0x400A
    CAPTURE_COMPLETE = 0x400D


class Property(IntEnum):
    """Device properties."""

    BATTERY_LEVEL = 0x5001
    COMPRESSION_SETTING = 0x5004
    WHITE_BALANCE = 0x5005
    F_NUMBER = 0x5007
    FOCUS_MODE = 0x500A
    EXPOSURE_TIME = 0x500D
    EXPOSURE_PROGRAM_MODE = 0x500E
    EXPOSURE_INDEX = 0x500F
    DATE_TIME = 0x5011
    EXPOSURE_TIME_FRACTION = 0xD100
    LIVE_VIEW_STATUS = 0xD1A2

    @property
    def of_vendor(self) -> bool:
        """Whether it belongs to the vendor's extension."""
        return self >= 0xD000


class DataType(IntEnum):
    """Data types of properties."""

    UINT8 = 0x0002
    UINT16 = 0x0004
    UINT32 = 0x0006
    STRING = 0xFFFF


class ObjectFormat(IntEnum):
    """Formats of objects."""

    UNDEFINED = 0x3000
    ASSOCIATION = 0x3001
    EXIF_JPEG = 0x3801
    JFIF = 0x3808
    DNG = 0x3811
