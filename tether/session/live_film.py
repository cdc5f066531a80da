"""Live view of the film, also while a file is fetched or judged."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tether.bench.film_watch import FilmMotion, FilmWatch
from tether.bench.live_focus import LiveViewUnreadable, read_linear
from tether.camera.errors import CameraError, CameraLost, CameraRefused
from tether.camera.protocol import CardFile, PartwiseCamera
from tether.capture.tethered import ReconnectableCamera
from tether.errors import TetherError
from tether.session.judge import Judgement, JudgeRequest, Judging
from tether.session.session import Session

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PART_BYTES = 4_000_000
"""Bytes of a file that are fetched between two live pictures."""
_FAILING_SECONDS = 5.0
"""For so long live pictures may fail, as they do around an exposure, before there are none."""


class LiveFilm:
    """Takes live pictures, one after the other, and follows the film in them.

    Parameters
    ----------
    session
        Whose camera it is.
    watch
        What follows the film.
    seen
        Called after each picture.
    clock
        Seconds that only go forward.

    Attributes
    ----------
    linear
        The newest picture, linear light, shape (h, w, 3), 0..1; None before the first.
    film
        Where the film is in it.
    gone_dark
        Whether the gate was open or dark since this was last set to False.
    rests
        How often the film has come to rest.
    when_exposed
        Called when an exposure is over.
    """

    def __init__(
        self,
        session: Session,
        watch: FilmWatch,
        seen: Callable[[], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._session = session
        self._watch = watch
        self._seen = seen
        self._clock = clock
        self._failing_since: float | None = None
        self._error: TetherError | None = None
        self.linear: NDArray[np.float32] | None = None
        self.film: FilmMotion | None = None
        self.gone_dark = False
        self.rests = 0
        self.when_exposed: Callable[[], None] | None = None

    def look(self) -> None:
        """Take one picture in; one that fails is remembered for `check`."""
        try:
            jpeg = self._session.tethered.connected().preview()
            self.linear = read_linear(jpeg, small=True)
        except (CameraError, LiveViewUnreadable) as error:
            if self._failing_since is None:
                self._failing_since = self._clock()
            self._error = error
            return
        self._failing_since = self._error = None
        before = self.film
        self.film = self._watch.take(self.linear[..., 1], self._clock())
        if self.film.resting_seconds and not (before and before.resting_seconds):
            self.rests += 1
        self.gone_dark |= self.film.state.is_gone
        self._seen()

    def check(self) -> TetherError | None:
        """Return why there is no live view, None while there is.

        Raises
        ------
        CameraLost
            When the camera is gone.
        """
        if isinstance(self._error, CameraLost):
            raise self._error
        since = self._failing_since
        if since is None or self._clock() - since < _FAILING_SECONDS:
            return None
        return self._error

    def begin_anew(self) -> None:
        """Nobody looked for a while: the film may be anywhere."""
        self._watch.lose_count()
        self._failing_since = self._error = None

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Look at the film also while a file is fetched or judged."""
        tethered, verdicts = self._session.tethered, self._session.verdicts
        camera, judge = tethered.connected(), verdicts.judging
        tethered.camera = _WatchedCamera(camera, self)
        verdicts.judging = _WatchedJudge(judge, self.look)
        try:
            yield
        finally:
            tethered.camera, verdicts.judging = camera, judge


class _WatchedCamera:
    """A camera whose files are fetched in parts, with a look at the film between two of them."""

    def __init__(self, camera: ReconnectableCamera, live: LiveFilm) -> None:
        self._camera = camera
        self._live = live
        self._partwise = True

    def __getattr__(self, name: str) -> Any:
        return getattr(self._camera, name)

    def capture(self) -> Any:
        """See `Camera.capture`."""
        camera = self._camera
        if not isinstance(camera, PartwiseCamera):
            return camera.capture()
        camera.when_exposed = self._live.when_exposed
        try:
            return camera.capture()
        finally:
            camera.when_exposed = None

    def fetch(self, file: CardFile, destination: Path) -> int:
        """See `Camera.fetch`."""
        camera = self._camera
        if not file.size or not isinstance(camera, PartwiseCamera) or not self._partwise:
            return camera.fetch(file, destination)
        done = 0
        while done < file.size:
            size = min(PART_BYTES, file.size - done)
            try:
                done += camera.fetch_part(file, destination, done, size)
            except CameraRefused:
                if done:
                    raise
                self._partwise = False
                return camera.fetch(file, destination)
            self._live.look()
        return done


class _WatchedJudge:
    """A judge that is waited for with an eye on the film."""

    def __init__(self, judge: Judging, look: Callable[[], None]) -> None:
        self._judge = judge
        self._look = look

    def judge(self, path: Path, request: JudgeRequest) -> Judgement:
        """See `Judging.judge`."""
        with ThreadPoolExecutor(1, "judging") as thread:
            judged = thread.submit(self._judge.judge, path, request)
            while not judged.done():
                self._look()
        return judged.result()
