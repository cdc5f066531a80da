"""Film with its base side toward the lens: its positive is the right way round all the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.imaging.exposure import REFERENCE
from tether_simulator.imaging.sensor import SensorConfig

from tests.delivery.delivering import Kept, kept_roll
from tests.measure.on_bench import photographed
from tether.archive.records import Capture, Frame, Roll, base_side_takes
from tether.cli.options import MIRROR
from tether.delivery.folder import Choice, DeliveryState, Mirror
from tether.errors import TetherError
from tether.facts import Facts
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Verdict
from tether.measure.frame import small_picture
from tether.measure.survey import survey
from tether.positive.tones import preview


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return kept_roll(tmp_path / "archive")


def as_seen(kept: Kept, number: int, *, base_side: bool) -> None:
    """Store that the bar code, or a person, told which side faced the lens."""
    capture = kept.archive.store.frames.of(kept.roll)[number - 1].captures[0]
    facts = Facts.read({"verdict": "keep", "base_side_to_lens": base_side})
    kept.archive.store.frames.set_judgement(capture.id, Verdict.KEEP, facts, b"")


def positive(kept: Kept, number: int) -> NDArray[np.uint8]:
    with Image.open(
        kept.folder / "delivered" / "positives" / f"Harbour_f00{number}_t1.jpg"
    ) as jpeg:
        return np.asarray(jpeg.convert("L"))


def alike(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    return float(np.corrcoef(one.ravel().astype(float), other.ravel().astype(float))[0, 1])


def test_a_frame_that_is_mirrored_is_so_in_positive_and_sidecar(kept: Kept) -> None:
    kept.deliver()
    before = positive(kept, 2)
    assert kept.deliver(mirrors=[Mirror("frame", 2)]).printed == 1
    assert alike(positive(kept, 2), before[:, ::-1]) > 0.99
    assert alike(positive(kept, 2), before) < 0.9
    sidecar = (kept.folder / "Harbour_f002_t1.xmp").read_text()
    assert "<tiff:Orientation>1<" in sidecar
    assert "<tiff:Orientation>2<" in (kept.folder / "Harbour_f001_t1.xmp").read_text()
    assert kept.deliver().printed == 0, "it is remembered"
    assert kept.deliver(mirrors=[Mirror("roll", 0), Mirror("frame", 2, False)]).printed == 3
    assert alike(positive(kept, 2), before) > 0.99


def test_what_the_session_knows_of_the_side_is_used_for_the_rest_of_the_strip(kept: Kept) -> None:
    kept.deliver()
    before = [positive(kept, number) for number in (1, 2, 3)]
    as_seen(kept, 2, base_side=True)
    assert kept.deliver().printed == 2
    assert alike(positive(kept, 1), before[0]) > 0.99
    for number in (2, 3):
        assert alike(positive(kept, number), before[number - 1][:, ::-1]) > 0.99
    # Who answered wrongly, or turned the strip half-way, puts it right at delivery.
    kept.deliver(mirrors=[Mirror("frame", 3)])
    assert alike(positive(kept, 3), before[2]) > 0.99


def test_a_rejected_take_says_nothing_about_the_next_one(kept: Kept) -> None:
    takes = [
        Capture(1, 1, 1, "a", 1, "", "", "program", "other", facts=Facts(base_side=True)),
        Capture(2, 1, 2, "b", 1, "", "", "program", "chosen"),
        Capture(3, 2, 1, "c", 1, "", "", "program", "chosen", facts=Facts(base_side=True)),
        Capture(4, 3, 1, "d", 1, "", "", "program"),
        Capture(5, 7, 1, "e", 1, "", "", "program"),
    ]
    frames = kept.archive.store.frames.of(kept.roll)
    shown = [replace(frames[0], number=t.frame, captures=(t,)) for t in takes]
    assert base_side_takes(kept.roll, shown) == {1, 3, 4}


@pytest.mark.parametrize("film", ["135", "120-645"])
def test_film_that_was_turned_over_comes_out_as_film_that_was_not(film: str, kept: Kept) -> None:
    form, process = FILM_FORMATS[film], FilmProcess.BW_NEGATIVE
    roll = Roll(1, "R", "R", process, film, 6, 3)
    folder = kept.delivery().folder
    bench = CopyStand(
        BenchConfig(process=process, film_format=form, frames=6, sensor=SensorConfig(384, 256))
    )
    bench.hand.go_to(2)
    shown = []
    for base_side in (False, True):
        if base_side:
            bench.hand.mishap("wrong-side")
        capture = Capture(1, 2, 1, "a", 1, "", "", "program", facts=Facts(base_side=base_side))
        frame = Frame(2, captures=(capture,))
        state = DeliveryState(roll, [frame], folder, (), folder.read())
        linear = small_picture(survey(photographed(bench, REFERENCE)))
        shown.append(
            preview(linear, process, turn=state.turn(capture), mirrored=state.mirrored(capture))
        )
    assert alike(shown[0], shown[1]) > 0.95


def test_a_wish_is_read_from_the_command_line_and_one_for_no_strip_refused(kept: Kept) -> None:
    read = [MIRROR.convert(text, None, None) for text in ("7", "strip:2", "roll", "strip:2=no")]
    assert read == [
        ("frame", 7, True), ("strip", 2, True), ("roll", 0, True), ("strip", 2, False)
    ]  # fmt: skip
    for wrong in ("", "strip", "strip2", "7=maybe", "roll:2", "-1", "all"):
        with pytest.raises(click.BadParameter, match="not understood"):
            MIRROR.convert(wrong, None, None)
    with pytest.raises(TetherError, match="no strip 2"):
        kept.deliver(mirrors=[Mirror("strip", 2)])
    with pytest.raises(TetherError, match="no frame 9"):
        kept.deliver(mirrors=[Mirror("frame", 9)])
    kept.deliver(mirrors=[Mirror("strip", 1)])
    choices = kept.delivery().folder.read().choices
    assert choices == {number: Choice(mirror=True) for number in (1, 2, 3, 4)}
