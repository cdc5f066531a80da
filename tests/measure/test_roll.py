"""What the roll remembers survives the store, and nothing bad in the store gets out of it."""

from __future__ import annotations

import io
import pickle
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.measure.light.flat import grid_of, spread, spread_at
from tether.measure.roll.memory import (
    MOST_FRAMES,
    MOST_PICTURES,
    KnownBase,
    OpenGate,
    RollMemory,
    Trace,
)


def _trace(frame: int) -> Trace:
    rng = np.random.default_rng(frame)
    return Trace(
        frame,
        rng.random(50).astype(np.float32),
        rng.random((150, 3)).astype(np.float32),
        rng.integers(-127, 127, (64, 96)).astype(np.int8),
        40.0 + frame,
    )


def _full() -> RollMemory:
    memory = RollMemory(
        open_gate=OpenGate(
            ("R", "G1", "B", "G2"), np.full((4, 32, 48), 0.5, np.float32), (1 / 15, 100.0, 8.0),
            "2024-05-04T10:00:00+00:00", 12.5,
        )
    )  # fmt: skip
    for frame in range(1, 20):
        memory = memory.with_frame(_trace(frame), KnownBase({"R": 0.5, "G1": 0.7}, (0.1, None, 8)))
    return memory


def test_a_roll_shows_its_rebate_where_nearly_all_of_its_frames_do() -> None:
    outlined, hidden = _trace(1), replace(_trace(1), scale=0.0)
    for shown, said in ((2, False), (3, True), (6, True)):
        frames = tuple(replace(outlined, frame=n) for n in range(shown))
        assert RollMemory(frames).shows_rebate is said
    assert not RollMemory((*[outlined] * 3, *[hidden] * 3)).shows_rebate


def test_three_borders_at_another_scale_than_an_earlier_frames_are_not_believed() -> None:
    memory = RollMemory((replace(_trace(1), scale=20.3),))
    assert memory.contradicts(24.9, 3)  # as an outline of a made roll was, of a night picture
    assert not memory.contradicts(24.9, 4)  # the camera may have been moved
    assert not memory.contradicts(20.5, 3)
    assert not RollMemory().contradicts(24.9, 3)


def test_it_comes_back_as_it_went() -> None:
    before = _full()
    after = RollMemory.from_bytes(before.to_bytes())
    assert after.base == before.base
    assert [t.frame for t in after.frames] == [t.frame for t in before.frames]
    for a, b in zip(after.frames, before.frames, strict=True):
        np.testing.assert_array_equal(a.sharpness, b.sharpness)
        np.testing.assert_array_equal(a.spots, b.spots)
        assert (a.picture is None) == (b.picture is None)
        assert a.scale == b.scale
    assert after.open_gate is not None
    assert before.open_gate is not None
    np.testing.assert_array_equal(after.open_gate.grid, before.open_gate.grid)
    assert after.open_gate.taken_at == before.open_gate.taken_at
    assert after.open_gate.uneven_percent == 12.5


def test_it_stays_small() -> None:
    memory = _full()
    assert len(memory.frames) == MOST_FRAMES
    assert sum(t.picture is not None for t in memory.frames) == MOST_PICTURES
    assert len(memory.to_bytes()) < 200_000


def test_a_frame_taken_again_replaces_its_trace() -> None:
    memory = RollMemory().with_frame(_trace(1), None).with_frame(_trace(2), None)
    again = memory.with_frame(_trace(1), None)
    assert [t.frame for t in again.frames] == [2, 1]
    assert [t.frame for t in again.before(1)] == [2]


def test_the_scale_is_told_by_the_second_frame() -> None:
    memory = RollMemory().with_frame(_trace(1), None)
    assert memory.scale is None
    assert memory.with_frame(_trace(2), None).scale == pytest.approx(41.5)


@given(st.binary(max_size=400))
def test_foreign_bytes_give_an_empty_memory(data: bytes) -> None:
    assert RollMemory.from_bytes(data) == RollMemory()


def test_damaged_bytes_give_what_was_stored_or_nothing() -> None:
    """Each part has a CRC-32: one that is damaged is left out, and no number is a wrong one."""
    kept = RollMemory().with_frame(_trace(1), KnownBase({"G1": 0.7}, (0.1, 100.0, 8.0)))
    (trace,), good = kept.frames, kept.to_bytes()
    rng = np.random.default_rng(4)
    traces = []
    for _ in range(60):
        bad = bytearray(good)
        for place in rng.integers(0, len(bad), 4):
            bad[place] = int(rng.integers(0, 256))
        memory = RollMemory.from_bytes(bytes(bad))
        assert memory.base == (kept.base if memory.frames else None)
        traces.append(memory.frames)
    assert traces.count(()) not in (0, len(traces)), "some were damaged beyond use, some were not"
    for (read,) in filter(None, traces):
        assert (read.frame, read.scale) == (trace.frame, trace.scale)
        for part in ("sharpness", "spots", "picture"):
            value, stored = getattr(read, part), getattr(trace, part)
            assert value is None or np.array_equal(value, stored), part
    for cut in range(0, len(good), 97):
        assert RollMemory.from_bytes(good[:cut]) == RollMemory()


class _Trap:
    def __reduce__(self) -> tuple[object, ...]:
        return (pytest.fail, ("a pickle from the store was run",))


def test_no_pickle_is_ever_run() -> None:
    inside = io.BytesIO()
    np.save(inside, np.array([_Trap()], dtype=object), allow_pickle=True)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("facts.npy", inside.getvalue())
    assert RollMemory.from_bytes(out.getvalue()) == RollMemory()
    assert RollMemory.from_bytes(pickle.dumps(_Trap)) == RollMemory()


def test_a_bomb_is_not_unpacked() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("facts.npy", b"\0" * 50_000_000)
    assert RollMemory.from_bytes(out.getvalue()) == RollMemory()


def test_a_grid_spread_out_again_keeps_a_slope() -> None:
    slope = np.linspace(0.2, 1.0, 480, dtype=np.float32)
    plane = np.tile(slope, (1, 320, 1))
    back = spread(grid_of(plane), (320, 480))
    np.testing.assert_allclose(back[0, :, 10:-10], plane[0, :, 10:-10], atol=0.005)


def test_a_grid_spread_out_in_part_is_the_same_there() -> None:
    grid = np.random.default_rng(1).random((2, 5, 7), np.float32)
    whole = spread(grid, (40, 61))
    np.testing.assert_array_equal(spread(grid, (40, 61), 3), whole[:, ::3, ::3])
    places = np.array([0, 60, 61, 700, 40 * 61 - 1])
    seen = spread_at(grid, (40, 61), places)
    np.testing.assert_allclose(seen, whole.reshape(2, -1)[:, places], rtol=1e-6)
