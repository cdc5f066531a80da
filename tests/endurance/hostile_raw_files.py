"""Hostile raw files: ``python -m tests.endurance.hostile_raw_files -n 5000``.

Each trial takes a sound file (a raw file of the simulated camera, or its JPEG) and changes it:
bits, stretches, its end, the entries of its TIFF directories, its first bytes into those of other
kinds of files.
`measure`, `light` and the check for wholeness read it.

What counts as wrong: anything but a judgement or a sentence, the name of a fault of the program, a
control character that is printed, a file that was changed, and a minute without an end.
"""

from __future__ import annotations

import hashlib
import json
import random
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.endurance.results import add, options
from tether.capture.file_check import is_whole
from tether.cli.main import app
from tether.text import is_control

TOGETHER = 100
"""Files that one command is given."""
SECONDS = 60.0

_HEADS = (
    b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b"II+\0\x08\0\0\0", b"\0\0\0\x18ftypcrx ", b"FOVb\0\0",
    b"II\x1a\0\0\0HEAPCCDR", b"IIRO\x08\0\0\0", b"IIU\0\x18\0\0\0", b"\0MRM\0\0\0\0", b"PK\3\4",
    b"\xff\xd8\xff\xe1", b"\x89PNG\r\n\x1a\n", b"GIF89a", b"", b"\0" * 32,
)  # fmt: skip
_NUMBERS = (
    0, 1, 2, 3, 7, 8, 16, 64, 255, 256, 32767, 65535, 1 << 20, 1 << 24,
    (1 << 31) - 1, 1 << 31, (1 << 32) - 1,
)  # fmt: skip
_TAGS = (
    256, 257, 258, 259, 262, 273, 277, 278, 279, 322, 323, 324, 325, 330, 33421, 33422,
    50706, 50713, 50714, 50717, 50829,
)  # fmt: skip
"""Of TIFF 6.0, TIFF/EP and DNG: those that say where and what the mosaic is."""


class File:
    """A sound file, changed by chance."""

    def __init__(self, sound: list[bytes], seed: int) -> None:
        self.chance = random.Random(seed)
        self.data = bytearray(self.chance.choice(sound))
        acts: tuple[Callable[[], None], ...] = (
            self._bits, self._entry, self._entry, self._entry, self._stretch, self._cut, self._head,
        )  # fmt: skip
        for _ in range(self.chance.randint(1, 4)):
            if self.data:
                self.chance.choice(acts)()

    def _at(self) -> int:
        """Return a place: half of them where the directories are."""
        end = len(self.data) if self.chance.random() < 0.5 else min(len(self.data), 2048)
        return self.chance.randrange(end)

    def _bits(self) -> None:
        for _ in range(self.chance.choice((1, 3, 30, 300))):
            self.data[self._at()] = self.chance.randrange(256)

    def _stretch(self) -> None:
        at, length = self._at(), self.chance.choice((4, 64, 4096))
        fill = bytes(length) if self.chance.random() < 0.5 else self.chance.randbytes(length)
        if self.chance.random() < 0.3:
            self.data[at:at] = fill
        else:
            self.data[at : at + length] = fill

    def _cut(self) -> None:
        del self.data[self._at() :]

    def _head(self) -> None:
        head = self.chance.choice(_HEADS)
        self.data[: len(head)] = head

    def _entry(self) -> None:
        """Change an entry of a directory of a TIFF in the order of bytes that we write."""
        if self.data[:4] != b"II*\0" or len(self.data) < 16:
            return self._bits()
        (at,) = struct.unpack_from("<I", self.data, 4)
        if at + 2 > len(self.data):
            return None
        (count,) = struct.unpack_from("<H", self.data, at)
        entry = at + 2 + 12 * self.chance.randrange(max(count, 1))
        if entry + 12 > len(self.data):
            return None
        number = self.chance.choice((*_NUMBERS, self.chance.randrange(1 << 32)))
        match self.chance.randrange(5):
            case 0:
                tag = self.chance.choice((*_TAGS, self.chance.randrange(1 << 16)))
                struct.pack_into("<H", self.data, entry, tag)
            case 1:
                struct.pack_into("<H", self.data, entry + 2, self.chance.randrange(20))
            case 2:
                struct.pack_into("<I", self.data, entry + 4, number)
            case 3:
                struct.pack_into("<I", self.data, entry + 8, number)
            case _:  # the value itself, where it lies elsewhere
                (where,) = struct.unpack_from("<I", self.data, entry + 8)
                if where + 4 <= len(self.data):
                    struct.pack_into("<I", self.data, where, number)
        return None


def sound_files() -> list[bytes]:
    """Return raw files of three kinds of film, and a JPEG."""
    found = []
    for seed, size in enumerate(((192, 128), (320, 200), (96, 64))):
        stand = CopyStand(BenchConfig(seed=seed, sensor=SensorConfig(*size)))
        picture = stand.expose(CameraExposure(1 / 15, 8.0, 100.0))
        found += [picture.raw, picture.raw]
    return [*found, picture.jpeg]


def run(folder: Path, sound: list[bytes], seeds: range) -> dict[str, list[str]]:
    """Make a file of each seed and have all of them judged; return what went wrong, by seed."""
    paths = {seed: folder / f"{seed}.dng" for seed in seeds}
    before: dict[int, str] = {}
    wrong: dict[str, list[str]] = {}

    def note(seed: int, what: str) -> None:
        wrong.setdefault(str(seed), []).append(what[:600])

    for seed, path in paths.items():
        path.write_bytes(File(sound, seed).data)
        before[seed] = _digest(path)
        began = time.monotonic()
        try:
            is_whole(path)
        except Exception as error:
            note(seed, f"is_whole: {error!r}")
        if time.monotonic() - began > SECONDS:
            note(seed, "is_whole: no end")
    film = random.Random(seeds[0]).choice(("bw-negative", "colour-negative", "transparency"))
    names = [str(path) for path in paths.values()]
    for words in (["measure", "--film", film, "--json", *names], ["light", "--json", *names]):
        done = CliRunner().invoke(app, words)
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            note(seeds[0], f"{words[0]}: {done.exception!r}")
            continue
        rows = {row["file"]: row for row in json.loads(done.stdout)}
        for seed, path in paths.items():
            text = json.dumps(rows.get(str(path)), ensure_ascii=False)
            if text == "null" or "fault of the program" in text or "did not answer" in text:
                note(seed, f"{words[0]}: {text}")
            if any(is_control(c) for c in text):
                note(seed, f"{words[0]}: prints a control character")
    for seed, path in paths.items():
        if _digest(path) != before[seed]:
            note(seed, "the file was changed")
        path.unlink()
    return wrong


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def main() -> int:
    asked = options(__doc__ or "", 5000).parse_args()
    wrong: dict[str, list[str]] = {}
    sound = sound_files()
    last = asked.seed + asked.trials - 1
    with tempfile.TemporaryDirectory() as folder:
        for first in range(asked.seed, last + 1, TOGETHER):
            found = run(Path(folder), sound, range(first, min(first + TOGETHER, last + 1)))
            if found:
                print(found, flush=True)
            wrong |= found
    counts = {"files": asked.trials}
    return add(asked.out, "hostile raw files", (asked.seed, last), counts, wrong)


if __name__ == "__main__":
    sys.exit(main())
