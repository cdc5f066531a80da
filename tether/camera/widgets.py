"""Between libgphoto2's widgets and a `Setting`: types, choices, and back."""

from __future__ import annotations

from typing import Any

from tether.camera.protocol import Role, Setting

MOST_STEPS = 400
"""A range of more steps than this is reported without choices."""


def read(widget: Any, gp: Any, role: Role, name: str) -> Setting:
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


def write(widget: Any, gp: Any, value: str) -> None:
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
