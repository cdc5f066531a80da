"""A camera's settings by role: read, set, and made ready for the copying bench."""

from __future__ import annotations

import contextlib
from typing import Any

from tether.camera import roles, values, widgets
from tether.camera.connection import Link
from tether.camera.errors import CameraRefused
from tether.camera.protocol import CameraIdentity, Role, Setting
from tether.camera.refusals import NOT_SUPPORTED


class Dials:
    """The settings of the camera at the other end of a `Link`."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._names = self._listed()
        self._candidates = roles.candidates(self._names)

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
                return widgets.read(widget, self._link.gp, role, name)
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
                model=(self._text(roles.MODEL) or model) if link.on_network else model,
                port=str(link.camera.get_port_info().get_path()),
                serial=self._text(*roles.SERIAL),
                maker=self._text(roles.MAKER),
            )

    def get(self, role: Role) -> Setting | None:
        """Read one setting, None where the camera has none for the role."""
        with self._link.doing(f"reading the {role}"):
            return self._setting(role)

    def get_all(self) -> dict[Role, Setting]:
        """Read the settings of all roles that the camera has."""
        found = {role: self.get(role) for role in self._candidates}
        return {role: setting for role, setting in found.items() if setting is not None}

    def set(self, role: Role, value: str) -> Setting:
        """See `Camera.set`."""
        link = self._link
        before = self.get(role)
        if before is None:
            raise CameraRefused(
                f"The camera has no setting for the {role} that can be reached from here.",
                kept="Nothing was changed.",
                todo="Set it on the camera.",
            )
        kept = f"It still stands at {before.value}."
        if before.readonly:
            raise CameraRefused(
                f"The {role} ({before.name}) can only be changed on the camera itself.",
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
                widgets.write(widget, link.gp, value)
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
        now = values.capture_target(target.value) if target else None
        if target is None or (now is not None and now.keeps):
            return
        for choice in target.choices:
            if values.capture_target(choice) is values.CaptureTarget.CARD:
                self.set(Role.CAPTURE_TARGET, choice)
                return

    def _leave_focus(self) -> None:
        if roles.AUTOFOCUS not in self._names:
            return
        link = self._link
        with link.doing("switching the driver's focusing off"):
            widget = self._widget(roles.AUTOFOCUS)
            if widget is not None and "Off" in tuple(widget.get_choices()):
                widget.set_value("Off")
                link.camera.set_single_config(roles.AUTOFOCUS, widget, link.context)
