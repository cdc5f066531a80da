"""Breaks for eyes and back: how long somebody has worked without one, over rolls and starts."""

from __future__ import annotations

import contextlib
from datetime import datetime, timedelta

from tether.archive.records import Sitting
from tether.archive.store import Store
from tether.clock import Clock, moment
from tether.settings import SittingSettings

_SINCE = "work without a break since"
"""The fact of the archive: a roll is done, and its program closed, before an hour is over."""


class Breaks:
    """Knows since when there was no break, and reminds of one.

    A break is a time in which nothing was done. ``sitting`` says when something was done last.
    """

    def __init__(
        self, store: Store, clock: Clock, sitting: Sitting, settings: SittingSettings
    ) -> None:
        self._store = store
        self._clock = clock
        self._settings = settings
        self._begun = datetime.fromisoformat(moment(sitting.started_at))
        self._last = datetime.fromisoformat(moment(sitting.active_at))

    def worked(self) -> None:
        """Note that something was done just now."""
        now = self._clock()
        idle, self._last = now - self._last, now
        if idle >= timedelta(minutes=self._settings.rest_minutes):
            self._begin_again(now)

    def reminder(self) -> tuple[str, ...]:
        """Return a reminder where a break is due; once in each such stretch."""
        now, most = self._clock(), self._settings.break_minutes
        if not most or now - self._since() < timedelta(minutes=most):
            return ()
        self._begin_again(now)
        said = f"{most:.0f} minutes without a break: look into the distance, stand up, stretch."
        return (said,)

    def _since(self) -> datetime:
        with contextlib.suppress(ValueError):  # what is stored is text to distrust
            return max(self._begun, datetime.fromisoformat(moment(self._store.fact(_SINCE) or "")))
        return self._begun

    def _begin_again(self, now: datetime) -> None:
        self._store.set_fact(_SINCE, now.isoformat())
