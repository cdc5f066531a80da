"""The camera's settings and state as PTP device properties (ISO 15740)."""

from __future__ import annotations

from tether_simulator.camera.body import Body
from tether_simulator.camera.dials import DIALS, standard_shutters, ten_thousandths
from tether_simulator.ptp import DataType, Property, Response
from tether_simulator.ptpip import packets
from tether_simulator.ptpip.packets import BadPacket, Value

_TYPES = {dial.code: dial.type for dial in DIALS.values()} | {
    Property.BATTERY_LEVEL: DataType.UINT8,
    Property.EXPOSURE_TIME: DataType.UINT32,
    Property.DATE_TIME: DataType.STRING,
    Property.LIVE_VIEW_STATUS: DataType.UINT8,
}
_READ_ONLY = {Property.BATTERY_LEVEL, Property.LIVE_VIEW_STATUS}


class Properties:
    """The properties of a body; ``extended`` with those of the vendor's extension."""

    def __init__(self, body: Body, *, extended: bool) -> None:
        self._body = body
        self.codes = tuple(code for code in Property if extended or not code.of_vendor)

    def describe(self, code: Property) -> bytes:
        """Return a property's DevicePropDesc dataset."""
        choices: tuple[int, ...] = ()
        span = (0, 100, 1) if code is Property.BATTERY_LEVEL else None
        default: Value = self._now(code)
        if code is Property.EXPOSURE_TIME:
            choices = standard_shutters()
            default = ten_thousandths(DIALS[Property.EXPOSURE_TIME_FRACTION].default)
        elif dial := DIALS.get(code):
            choices, span, default = () if dial.span else dial.choices, dial.span, dial.default
        return packets.property_description(
            code,
            _TYPES[code],
            writable=code not in _READ_ONLY,
            default=default,
            current=self._now(code),
            choices=choices,
            span=span,
        )

    def read(self, code: Property) -> bytes:
        """Return a property's packed value."""
        return packets.value(_TYPES[code], self._now(code))

    def set(self, code: Property, data: bytes) -> Response:
        """Set a property from its packed value; return what the camera answers."""
        if code in _READ_ONLY:
            return Response.ACCESS_DENIED
        try:
            item = packets.read_value(_TYPES[code], data)
        except BadPacket:
            return Response.INVALID_DEVICE_PROP_FORMAT
        try:
            if isinstance(item, str):
                self._body.clock = packets.read_when(item)
            else:
                self._body.turn(code, item, by_hand=False)
        except ValueError:
            return Response.INVALID_DEVICE_PROP_VALUE
        return Response.OK

    def _now(self, code: Property) -> Value:
        body = self._body
        if code is Property.BATTERY_LEVEL:
            return body.battery_shown
        if code is Property.DATE_TIME:
            return packets.when(body.clock)
        if code is Property.LIVE_VIEW_STATUS:
            return int(body.live)
        if code is Property.EXPOSURE_TIME:
            return ten_thousandths(body.dials[Property.EXPOSURE_TIME_FRACTION])
        return body.dials[code]
