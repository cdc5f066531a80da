"""A camera's settings by role: found, read, set, and made ready for the copying bench."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from typing import Any

from tether.camera.connection import NOT_SUPPORTED, Connection
from tether.camera.errors import CameraRefused
from tether.camera.protocol import CameraIdentity, Role, Setting
from tether.camera.values import CaptureTarget

AUTOFOCUS = "autofocus"
"""The driver's own switch for focusing before each exposure (not the camera's focus mode)."""

SERIAL = ("serialnumber", "eosserialnumber")
MAKER = "manufacturer"
MODEL = "cameramodel"

MOST_STEPS = 400
"""A range of more steps than this is reported without choices."""


def candidates(names: Iterable[str]) -> dict[Role, tuple[str, ...]]:
    """Return for each role the names that this camera has, best first.

    ``names`` are the leaf names of the camera's configuration tree. Having a name is not yet an
    answer: some cameras list a setting and then refuse to read it.
    """
    listed = set(names)
    rows = {role: tuple(name for name in role.names if name in listed) for role in Role}
    return {role: row for role, row in rows.items() if row}


class SettingsAccess:
    """The settings of the camera at the other end of a `Connection`."""

    def __init__(self, link: Connection) -> None:
        self._link = link
        self._names = self._listed()
        self._candidates = candidates(self._names)

    def _listed(self) -> tuple[str, ...]:
        link = self._link
        with link.doing("reading which settings the camera has"):
            try:
                return tuple(name for name, _ in link.camera.list_config(link.context).items())
            except link.gp.GPhoto2Error as error:
                if error.code != NOT_SUPPORTED:
                    raise
                return ()

    def _widget(self, name: str) -> Any:
        """Return a widget, None where the camera lists it and does not answer for it."""
        link = self._link
        try:
            return link.camera.get_single_config(name, link.context)
        except link.gp.GPhoto2Error as error:
            if link.breaks(error):
                raise
            return None

    def _setting(self, role: Role) -> Setting | None:
        for name in self._candidates.get(role, ()):
            widget = self._widget(name)
            if widget is not None:
                return read_widget(widget, self._link.gp, role, name)
        return None

    def _text(self, *names: str) -> str:
        for name in names:
            if name in self._names:
                widget = self._widget(name)
                value = widget.get_value() if widget is not None else None
                if value:
                    return str(value).strip()
        return ""

    def identity(self) -> CameraIdentity:
        """Ask the camera for its name, maker and serial number."""
        link = self._link
        with link.doing("asking the camera for its name"):
            model = str(link.camera.get_abilities().model)
            return CameraIdentity(
                model=(self._text(MODEL) or model) if link.on_network else model,
                port=str(link.camera.get_port_info().get_path()),
                serial=self._text(*SERIAL),
                maker=self._text(MAKER),
            )

    def get(self, role: Role) -> Setting | None:
        """Read one setting, None where the camera has none for the role."""
        with self._link.doing(f"reading the {role}"):
            return self._setting(role)

    def get_all(self) -> dict[Role, Setting]:
        """Read the settings of all roles that the camera has."""
        settings = {role: self.get(role) for role in self._candidates}
        return {role: setting for role, setting in settings.items() if setting is not None}

    def reading(self, role: Role) -> Any:
        """Read one setting; return what it means, None where that is not known."""
        setting = self.get(role)
        return setting.reading if setting else None

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`."""
        link = self._link
        before = self.get(role)
        if before is None:
            raise CameraRefused(
                f"The program cannot reach the camera's {role} setting.",
                kept="Nothing was changed.",
                todo="Set it on the camera.",
            )
        kept = f"It is still at {before.value}."
        if before.readonly:
            raise CameraRefused(
                f"The {role} ({before.name}) can be changed on the camera only.",
                kept=kept,
                todo="Set it on the camera.",
            )
        if before.choices and value not in before.choices:
            raise CameraRefused(
                f"The camera does not take {value} for the {role} ({before.name}).",
                kept=kept,
                todo=f"It offers: {', '.join(before.choices[:40])}.",
            )
        with link.doing(f"setting the {role} to {value}"):
            widget = link.camera.get_single_config(before.name, link.context)
            try:
                write_widget(widget, link.gp, value)
            except ValueError:
                raise CameraRefused(
                    f"The {role} ({before.name}) takes a number, not {value}.", kept=kept
                ) from None
            link.camera.set_single_config(before.name, widget, link.context)
        return self.get(role) or before

    def prepare(self) -> None:
        """Have pictures kept on the card, and no focusing before each exposure.

        Focus at the copying bench is set once by hand. A camera that refuses either is left as
        it is; where pictures go can be read from its state.
        """
        with contextlib.suppress(CameraRefused):
            self._keep_on_card()
        with contextlib.suppress(CameraRefused):
            self._leave_focus()

    def _keep_on_card(self) -> None:
        target = self.get(Role.CAPTURE_TARGET)
        if target is None or (target.reading is not None and target.reading.keeps):
            return
        for choice in target.choices:
            if Role.CAPTURE_TARGET.read(choice) is CaptureTarget.CARD:
                self.set(Role.CAPTURE_TARGET, choice)
                return

    def _leave_focus(self) -> None:
        if AUTOFOCUS not in self._names:
            return
        link = self._link
        with link.doing("switching the driver's focusing off"):
            widget = self._widget(AUTOFOCUS)
            if widget is not None and "Off" in tuple(widget.get_choices()):
                widget.set_value("Off")
                link.camera.set_single_config(AUTOFOCUS, widget, link.context)


def read_widget(widget: Any, gp: Any, role: Role, name: str) -> Setting:
    """Return a widget as a setting, its value as text whatever its type."""
    kind = widget.get_type()
    choices: tuple[str, ...] = ()
    value = widget.get_value()
    if kind in (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU):
        choices = tuple(str(choice) for choice in widget.get_choices())
    elif kind == gp.GP_WIDGET_RANGE:
        choices = steps(*widget.get_range())
        value = f"{value:g}"
    return Setting(
        role,
        name,
        "" if value is None else str(value),
        choices,
        readonly=bool(widget.get_readonly()),
    )


def write_widget(widget: Any, gp: Any, value: str) -> None:
    """Put a text into a widget as the type that it wants. Raises ValueError for no number."""
    kind = widget.get_type()
    if kind == gp.GP_WIDGET_RANGE:
        widget.set_value(float(value))
    elif kind in (gp.GP_WIDGET_DATE, gp.GP_WIDGET_TOGGLE):
        widget.set_value(int(value))
    else:
        widget.set_value(value)


def steps(low: float, high: float, step: float) -> tuple[str, ...]:
    """Return a range's steps as texts, none where they are too many to be choices."""
    if step <= 0 or high < low or (count := round((high - low) / step) + 1) > MOST_STEPS:
        return ()
    return tuple(f"{low + index * step:g}" for index in range(count))
