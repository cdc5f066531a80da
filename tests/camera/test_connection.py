"""libgphoto2's result codes in words.

Codes: libgphoto2's ``gphoto2-port-result.h`` and ``gphoto2-result.h``, as the installed library
states them. Reasons: the table ``ptp_errors`` in ``camlibs/ptp2/ptp.c`` (ISO 15740's response
codes and makers' own), and that driver's own sentences.
"""

from __future__ import annotations

import gphoto2 as gp
import pytest

from tether.camera import connection, errors


def test_the_codes_are_the_library_s() -> None:
    assert gp.GP_ERROR == connection.GENERAL
    assert gp.GP_ERROR_BAD_PARAMETERS == connection.BAD_PARAMETERS
    assert gp.GP_ERROR_NOT_SUPPORTED == connection.NOT_SUPPORTED
    assert gp.GP_ERROR_IO_WRITE == connection.IO_WRITE
    assert gp.GP_ERROR_CORRUPTED_DATA == connection.CORRUPT
    assert gp.GP_ERROR_CAMERA_BUSY == connection.BUSY
    assert gp.GP_ERROR_FILE_EXISTS == connection.TWO_OF_ONE_NAME
    assert {gp.GP_ERROR_IO_USB_CLAIM, gp.GP_ERROR_IO_LOCK} == connection.CLAIMED
    assert {gp.GP_ERROR_FILE_NOT_FOUND, gp.GP_ERROR_DIRECTORY_NOT_FOUND} == connection.NO_FILE
    assert {gp.GP_ERROR_NO_MEMORY, gp.GP_ERROR_NO_SPACE} == connection.FULL
    assert {
        gp.GP_ERROR_IO, gp.GP_ERROR_TIMEOUT, gp.GP_ERROR_IO_SUPPORTED_SERIAL,
        gp.GP_ERROR_IO_SUPPORTED_USB, gp.GP_ERROR_IO_INIT, gp.GP_ERROR_IO_READ,
        gp.GP_ERROR_IO_WRITE, gp.GP_ERROR_IO_UPDATE, gp.GP_ERROR_IO_SERIAL_SPEED,
        gp.GP_ERROR_IO_USB_CLEAR_HALT, gp.GP_ERROR_IO_USB_FIND, gp.GP_ERROR_OS_FAILURE,
    } == connection.LOST  # fmt: skip


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (-7, errors.CameraLost),
        (-10, errors.CameraLost),
        (-52, errors.CameraLost),
        (-53, errors.CameraClaimed),
        (-110, errors.CameraRefused),
        (-6, errors.CameraRefused),
        (-1, errors.CameraRefused),
        (-108, errors.FileUnavailable),
        (-102, errors.FileUnavailable),
        (-103, errors.CardUnclear),
        (-115, errors.CardFull),
        (-9999, errors.CameraRefused),
    ],
)
def test_codes(code: int, kind: type[errors.CameraError]) -> None:
    error = connection.explain(code, "Some words", "firing the shutter")
    assert type(error) is kind
    assert "while firing the shutter" in error.what
    assert str(code) in error.what
    assert error.kept
    assert error.todo


@pytest.mark.parametrize(
    ("said", "kind", "words"),
    [
        ("PTP Store Full", errors.CardFull, "no room"),
        ("Camera memorycard ran full during capture.", errors.CardFull, "no room"),
        ("PTP Store Read Only", errors.CameraRefused, "cannot write to its card"),
        ("PTP Store Not Available", errors.CameraRefused, "cannot write to its card"),
        ("Store Unformatted", errors.CameraRefused, "cannot write to its card"),
        ("PTP Device Busy", errors.CameraRefused, "busy"),
        ("Canon Capture failed (0x2019: PTP Device Busy)", errors.CameraRefused, "busy"),
        ("Low Battery", errors.BatteryLow, "battery is low"),
        ("Out of Focus", errors.CameraRefused, "could not focus"),
        ("Fuji Capture failed: Perhaps no auto-focus?", errors.CameraRefused, "could not focus"),
        ("PTP Invalid Object Handle", errors.FileUnavailable, "does not have that file"),
        ("PTP Session Not Open", errors.CameraLost, "connection"),
        ("Lens Cover Closed", errors.CameraRefused, "refused"),
    ],
)
def test_the_driver_s_words_decide_where_the_code_does_not(
    said: str, kind: type[errors.CameraError], words: str
) -> None:
    error = connection.explain(-1, "Unspecified error", "firing the shutter", said)
    assert type(error) is kind
    assert words in error.what
    assert said in error.what


def test_words_do_not_overrule_a_code_that_is_clear() -> None:
    assert type(connection.explain(-7, "I/O problem", "x", "PTP Store Full")) is errors.CameraLost


def test_why_no_connection_was_made() -> None:
    assert type(connection.explain_connecting(-53, "x", "usb:")) is errors.CameraClaimed
    absent = connection.explain_connecting(-105, "Unknown model", "usb:001,004")
    assert type(absent) is errors.NoCamera
    assert "at usb:001,004" in absent.what
    assert "charged" in absent.todo
    far = connection.explain_connecting(-7, "I/O problem", "ptpip:192.0.2.7:15740:15740")
    assert "same network" in far.todo
