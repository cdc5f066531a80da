"""Files that are cut short are told from whole ones without anybody stating their size."""

from __future__ import annotations

import io
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import CameraExposure
from tether_simulator.imaging.sensor import SensorConfig

from tests.archive.bench_rig import problems
from tests.archive.conftest import Desk
from tests.archive.inprocess_rig import Snap
from tether.capture.file_check import is_whole


def small_dng() -> bytes:
    config = BenchConfig(sensor=SensorConfig(width=192, height=128))
    return CopyStand(config).expose(CameraExposure(1 / 15, 8.0, 100)).raw


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.arange(3072, dtype=np.uint8).reshape(32, 32, 3)).save(out, "JPEG")
    return out.getvalue()


def tiles(big_endian: bool) -> bytes:
    out = io.BytesIO()
    data = np.random.default_rng(1).integers(0, 4096, (64, 64), dtype=np.uint16)
    tifffile.imwrite(out, data, tile=(16, 16), byteorder=">" if big_endian else "<")
    return out.getvalue()


def boxes() -> bytes:
    """Boxes as ISO/IEC 14496-12 has them: size, type, content."""
    return (
        (16).to_bytes(4, "big") + b"ftypcrx \0\0\0\1"
        + (1).to_bytes(4, "big") + b"moov" + (48).to_bytes(8, "big") + b"m" * 32
        + (108).to_bytes(4, "big") + b"mdat" + b"d" * 100
    )  # fmt: skip


SAMPLES = {
    "dng": small_dng(),
    "jpeg": jpeg(),
    "II": tiles(False),
    "MM": tiles(True),
    "box": boxes(),
}


@pytest.mark.parametrize("kind", SAMPLES)
@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.9, 0.99, 1.0])
def test_a_file_cut_anywhere_is_noticed(tmp_path: Path, kind: str, share: float) -> None:
    data = SAMPLES[kind]
    path = tmp_path / "file"
    path.write_bytes(data[: int(len(data) * share)])
    assert is_whole(path) is (share == 1.0)


@given(st.binary(max_size=400), st.sampled_from([b"II*\0", b"MM\0*", b"\0\0\0\x10ftyp", b""]))
def test_any_bytes_get_an_answer(
    tmp_path_factory: pytest.TempPathFactory, tail: bytes, head: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "file"
    path.write_bytes(head + tail)
    assert is_whole(path) in (True, False)


@pytest.mark.parametrize("always", [False, True])
def test_a_camera_that_states_no_size(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, always: bool
) -> None:
    """Cut short on the way it is fetched again; cut short on the card it is kept as it is."""
    whole = SAMPLES["dng"]
    monkeypatch.setattr(desk.body._scene, "expose", lambda _: Snap(whole))
    session = desk.session(frames=1)
    while session.next_step().step:
        session.confirm()
    real_capture = desk.camera.capture
    real_fetch = desk.camera.fetch
    stated = real_capture()
    fetches = []

    def fetch(file: object, destination: Path) -> int:
        done = real_fetch(stated[0], destination)
        fetches.append(destination)
        if always or len(fetches) == 1:
            destination.write_bytes(whole[:-500])
        return int(done)

    monkeypatch.setattr(
        desk.camera, "capture", lambda: [replace(f, size=None) for f in stated], raising=False
    )
    monkeypatch.setattr(desk.camera, "fetch", fetch, raising=False)
    (capture, _), *more = session.capture().captures
    assert not more
    assert len(fetches) == 2
    assert capture.size == len(whole) - 500 * always
    session.keep()
    assert problems(session.archive, "Harbour") == []


def test_values_are_counted_over_all_entries(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One crafted directory could cost minutes, and 64 of them hours."""
    entries, values = 3000, 100_000
    place = 8 + 2 + 12 * entries + 4
    body = b"".join(struct.pack("<HHII", 273 + i % 2 * 6, 4, values, place) for i in range(entries))
    head = b"II*\0" + struct.pack("<IH", 8, entries)
    path = tmp_path / "crafted.dng"
    path.write_bytes(head + body + bytes(4) + bytes(4 * values))
    read = 0
    unpack = struct.unpack

    def counted(form: str, data: bytes) -> tuple[object, ...]:
        nonlocal read
        found = unpack(form, data)
        read += len(found)
        return found

    monkeypatch.setattr("tether.capture.file_check.struct.unpack", counted)
    assert is_whole(path)
    assert read <= 200_100
