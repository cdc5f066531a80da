"""The sound at a finding: played by the system's player, or said why not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tether.settings import AlertSettings
from tether.tui.terminal.sound import sound


def test_the_file_is_handed_to_the_first_player_that_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A pipe tells when the player has run: nothing here waits by the clock.
    told = tmp_path / "told"
    os.mkfifo(told)
    player = tmp_path / "aplay"
    player.write_text(f'#!/bin/sh\nprintf %s "$1" > "{told}"\n')
    player.chmod(0o755)
    file = tmp_path / "a sound; true.wav"
    file.write_bytes(b"RIFF")
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    monkeypatch.setattr("tether.tui.terminal.sound._PLAYERS", ("no-such-player", "aplay"))
    assert sound(AlertSettings(sound=str(file))) == ""
    assert told.read_text() == str(file), "as one argument, whatever its name holds"


def test_what_cannot_be_heard_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert sound(AlertSettings()) == ""
    assert "not there" in sound(AlertSettings(sound=str(tmp_path / "none.wav")))
    file = tmp_path / "a.wav"
    file.touch()
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "No player" in sound(AlertSettings(sound=str(file)))
