"""Sounds: the file that the settings name, and two tones that the ear tells apart.

They go through the system's own player; without one there is the terminal's bell.
"""

from __future__ import annotations

import array
import math
import shutil
import subprocess
import tempfile
import threading
import wave
from enum import Enum
from functools import cache
from pathlib import Path

from tether.settings import AlertSettings

_PLAYERS = ("pw-play", "paplay", "aplay", "afplay")
"""Players that come with desktop systems; each takes a file and plays it."""
_RATE = 22050
_LOUDNESS = 0.3


class Tone(Enum):
    """What is heard, as (hertz, seconds) one after the other; 0 hertz is silence."""

    MOVE_ON = ((880.0, 0.09),)
    STOP = ((330.0, 0.15), (0.0, 0.06), (330.0, 0.15), (0.0, 0.06), (247.0, 0.25))


def sound(alerts: AlertSettings) -> str:
    """Begin to play the sound of the settings; return why it cannot be heard, "" when it can.

    Nothing waits for it: the player runs on its own, and what it prints goes nowhere.
    """
    if not alerts.sound:
        return ""
    file = Path(alerts.sound).expanduser()
    if not file.is_file():
        return f"The sound file of the settings is not there: {file}."
    return _play(file)


def tone(kind: Tone) -> str:
    """Begin to play a tone; return why it cannot be heard, "" when it can."""
    return silence() or _play(_folder() / f"{kind.name.lower()}.wav")


def silence() -> str:
    """Return why no tone can be heard, "" when one can."""
    if _player() is None:
        return f"No player for the sound was found ({', '.join(_PLAYERS)})."
    return ""


def samples(kind: Tone) -> array.array[int]:
    """Return a tone as samples of 16 bits at 22,050 a second, faded in and out over 5 ms."""
    made = array.array("h")
    fade = _RATE // 200
    for hertz, seconds in kind.value:
        count = round(seconds * _RATE)
        for i in range(count):
            level = _LOUDNESS * min(1.0, i / fade, (count - i) / fade)
            made.append(round(32767 * level * math.sin(2 * math.pi * hertz * i / _RATE)))
    return made


@cache
def _folder() -> Path:
    """Write the tones to a folder that goes with the program."""
    folder = tempfile.TemporaryDirectory(prefix="tether-sound-", ignore_cleanup_errors=True)
    _KEPT.append(folder)
    for kind in Tone:
        with wave.open(str(Path(folder.name, f"{kind.name.lower()}.wav")), "wb") as file:
            file.setparams((1, 2, _RATE, 0, "NONE", "not compressed"))
            file.writeframes(samples(kind).tobytes())
    return Path(folder.name)


_KEPT: list[tempfile.TemporaryDirectory[str]] = []
"""The folder is removed when the program ends."""


def _player() -> str | None:
    return next((found for name in _PLAYERS if (found := shutil.which(name))), None)


def _play(file: Path) -> str:
    player = _player()
    if player is None:
        return silence()
    try:
        playing = subprocess.Popen(
            [player, str(file.absolute())],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        return f"The sound was not played: {error.strerror}."
    # Somebody has to see its end, or the system keeps its entry until this program ends.
    threading.Thread(target=playing.wait, name="sound", daemon=True).start()
    return ""
