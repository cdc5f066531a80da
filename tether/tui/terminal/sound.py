"""A sound at a finding: the file that the settings name, through the system's own player."""

from __future__ import annotations

import shutil
import subprocess
import threading
from pathlib import Path

from tether.settings import AlertSettings

_PLAYERS = ("pw-play", "paplay", "aplay", "afplay")
"""Players that come with desktop systems; each takes a file and plays it."""


def sound(alerts: AlertSettings) -> str:
    """Begin to play the sound of the settings; return why it cannot be heard, "" when it can.

    Nothing waits for it: the player runs by itself, and what it prints goes nowhere.
    """
    if not alerts.sound:
        return ""
    file = Path(alerts.sound).expanduser()
    if not file.is_file():
        return f"The sound file of the settings is not there: {file}."
    player = next((found for name in _PLAYERS if (found := shutil.which(name))), None)
    if player is None:
        return f"No player for the sound was found ({', '.join(_PLAYERS)})."
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
