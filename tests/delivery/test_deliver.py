"""A delivery: what it writes, what it leaves alone, and what it does not do twice."""

from __future__ import annotations

import csv
import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from PIL import Image

from tests.delivery.delivering import Kept, kept_roll
from tether.archive.layout import BENCH_FOLDER, DATABASE
from tether.archive.open_roll import OpenRoll
from tether.archive.records import FrameState
from tether.bench.light_record import KeptGate, LightRecord
from tether.capture.bench_shots import BenchShot
from tether.cli.options import QUARTER_TURN, STOPS, YES_OR_NO, PerFrame
from tether.delivery.contrast import choose_contrast, contrast_of, next_contrast
from tether.delivery.crew import LocalCrew, worker_count
from tether.delivery.folder import DeliveredFolder, DeliveryResult
from tether.errors import TetherError
from tether.facts import Facts
from tether.film import FilmProcess
from tether.findings import Verdict
from tether.positive.job import print_file
from tether.settings import DeliverySettings, PositiveSettings, Settings


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    roll = kept_roll(tmp_path / "archive")
    yield roll
    roll.archive.close()


def raw_bytes(kept: Kept) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in kept.folder.glob("*.dng")}


def test_everything_is_delivered_and_no_raw_file_is_touched(kept: Kept) -> None:
    before = raw_bytes(kept)
    result = kept.deliver(workers=2)
    assert (result.printed, result.sidecars, result.trouble) == (3, 4, [])
    assert raw_bytes(kept) == before
    names = {str(p.relative_to(result.folder)) for p in result.folder.rglob("*") if p.is_file()}
    stems = [f"Harbour_f00{n}_t1" for n in (1, 2, 3)]
    assert names == {
        "index.html", "roll.csv", "roll.json", "delivery.json",
        *(f"contact-sheet-{paper}.pdf" for paper in ("a4", "letter")),
        *(f"positives/{s}.{e}" for s in stems for e in ("jpg", "tif")),
        *(f"small/{s}.jpg" for s in stems),
    }  # fmt: skip
    assert sorted(p.name for p in kept.folder.glob("*.xmp")) == [
        "Harbour_f001_t1.xmp", "Harbour_f001_t2.xmp", "Harbour_f002_t1.xmp", "Harbour_f003_t1.xmp"
    ]  # fmt: skip


def test_a_strobes_positives_do_not_depend_on_the_shutter(tmp_path: Path) -> None:
    def lights(name: str, shutters: tuple[int, ...], strobe: bool) -> tuple[list[float], float]:
        roll = kept_roll(tmp_path / name, frames=2, shutters=shutters, strobe=strobe)
        result = roll.deliver()
        assert (result.printed, result.trouble) == (2, [])
        roll.archive.close()
        record = json.loads((result.folder / "delivery.json").read_text("utf-8"))
        samples = [sample["sample"]["light"] for sample in record["samples"].values()]
        with Image.open(result.folder / "positives" / "Harbour_f002_t1.jpg") as picture:
            return samples, float(np.asarray(picture.convert("L"), np.float32).mean())

    alike, as_it_is = lights("alike", (15, 15), strobe=True)
    turned, moved = lights("turned", (15, 60), strobe=True)
    # ISO 100 at f/8: 1 / 64 (ISO 12232: H is proportional to t / N²), whatever the shutter time.
    assert alike == turned == pytest.approx([1 / 64, 1 / 64])
    assert moved == pytest.approx(as_it_is, abs=1)
    lamp, _ = lights("lamp", (15, 60), strobe=False)
    assert lamp[0] == pytest.approx(4 * lamp[1], rel=0.02)


def test_the_open_gate_in_the_rolls_folder_evens_the_positives_out(kept: Kept) -> None:
    plain = kept.deliver().folder / "positives" / "Harbour_f001_t1.jpg"

    def sides() -> tuple[float, float]:
        with Image.open(plain) as picture:
            values = np.asarray(picture.convert("L"), np.float32)
        third = values.shape[1] // 3
        return float(values[:, :third].mean()), float(values[:, -third:].mean())

    left, right = sides()
    # A light that falls to a half toward the raw file's right. What it took away there is no
    # density any more: the positive gets darker there, which is its left, mirrored back.
    row = tuple(np.linspace(0.8, 0.4, 12).tolist())
    trial = BenchShot("open-gate_1.dng", "", "2024-05-04T10:00:00+00:00")
    (kept.folder / BENCH_FOLDER).mkdir(exist_ok=True)
    keeper = LightRecord(kept.folder / BENCH_FOLDER)
    keeper.keep(gate=KeptGate(trial, ("R", "G1", "B", "G2"), ((row,) * 8,) * 4))
    assert kept.deliver().printed == 3
    evened_left, evened_right = sides()
    assert (evened_right - evened_left) - (right - left) > 10


def lean(delivered: DeliveryResult, number: int) -> float:
    """How much lighter a positive is at its right than at its left."""
    with Image.open(delivered.folder / "positives" / f"Harbour_f00{number}_t1.jpg") as picture:
        values = np.asarray(picture.convert("L"), np.float32)
    third = values.shape[1] // 3
    return float(values[:, -third:].mean() - values[:, :third].mean())


def test_each_frame_is_evened_by_the_open_gate_that_was_in_force(kept: Kept) -> None:
    """A light test in mid-roll, whatever it shows, leaves the positives before it as they were."""

    def gate(name: str, after: int, row: Sequence[float]) -> KeptGate:
        shot = BenchShot(name, "", "2024-05-04T10:00:00+00:00", after)
        return KeptGate(shot, ("R", "G1", "B", "G2"), ((tuple(row),) * 8,) * 4)

    (kept.folder / BENCH_FOLDER).mkdir(exist_ok=True)
    keeper = LightRecord(kept.folder / BENCH_FOLDER)
    keeper.keep(gate=gate("open-gate_1.dng", 0, [0.5] * 12))
    before = {number: lean(kept.deliver(), number) for number in (1, 2, 3)}
    keeper.keep(gate=gate("open-gate_2.dng", 1, np.linspace(0.8, 0.4, 12).tolist()))
    after = {number: lean(kept.deliver(), number) for number in (1, 2, 3)}
    # The common balance moves all of them; only those after the test get lighter at the right.
    assert after[1] <= before[1]
    assert min(after[2] - before[2], after[3] - before[3]) > 10
    # It is read from the folder, as a new program would.
    fresh = LightRecord(kept.folder / BENCH_FOLDER)
    in_force = [fresh.gate_for(order) for order in (1, 2, 3)]
    assert [g and g.shot.file for g in in_force] == ["open-gate_1.dng", *["open-gate_2.dng"] * 2]
    # Taken back, as after stray light, the first one holds again for all.
    fresh.restore_gate(in_force[0])
    assert LightRecord(kept.folder / BENCH_FOLDER).gate_for(3) == in_force[0]
    assert lean(kept.deliver(), 3) == pytest.approx(before[3], abs=1)


def test_a_second_run_prints_nothing_again(kept: Kept) -> None:
    folder = kept.deliver().folder
    first = {p: p.stat().st_mtime_ns for p in (folder / "positives").iterdir()}
    again = kept.deliver()
    assert (again.printed, again.unchanged) == (0, 3)
    assert {p: p.stat().st_mtime_ns for p in (folder / "positives").iterdir()} == first
    assert {s.phase for s in kept.steps} == {"reports"}


def test_a_changed_choice_prints_its_frame_again_and_is_remembered(kept: Kept) -> None:
    folder = kept.deliver().folder
    path = folder / "positives" / "Harbour_f002_t1.jpg"
    with Image.open(path) as flat:
        size = flat.size
    assert kept.deliver(turns={2: 90}).printed == 1
    with Image.open(path) as turned:
        assert turned.size == size[::-1]
    again = kept.deliver()
    assert again.printed == 0, "the turn is remembered"
    assert kept.deliver(exposures={0: 0.5}).printed == 3


def test_changed_settings_and_lost_files_are_printed_again(kept: Kept) -> None:
    folder = kept.deliver().folder
    softer = Settings(positive=replace(PositiveSettings(), contrast=1.4))
    assert kept.deliver(softer).printed == 3
    (folder / "positives" / "Harbour_f003_t1.tif").unlink()
    assert kept.deliver(softer).printed == 1
    (folder / "delivery.json").write_text("{ not json")
    assert kept.deliver(softer).printed == 3


def test_an_interrupted_run_goes_on_where_it_stopped(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = LocalCrew.each_done

    def one_then_stop(
        crew: LocalCrew, work: Callable[[Any], Any], jobs: Sequence[Any], largest: int
    ) -> Iterator[tuple[Any, Any]]:
        for number, done in enumerate(whole(crew, work, jobs, largest)):
            if number == 1 and work is print_file:
                raise KeyboardInterrupt
            yield done

    monkeypatch.setattr(LocalCrew, "each_done", one_then_stop)
    with pytest.raises(KeyboardInterrupt):
        kept.deliver(workers=1)
    monkeypatch.undo()
    result = kept.deliver()
    assert (result.printed, result.unchanged) == (2, 1)


def test_a_damaged_raw_file_is_told_and_the_others_are_delivered(kept: Kept) -> None:
    path = kept.folder / "Harbour_f002_t1.dng"
    data = bytearray(path.read_bytes())
    data[-1000] ^= 1
    path.write_bytes(data)
    (kept.folder / "Harbour_f003_t1.dng").unlink()
    result = kept.deliver()
    assert result.printed == 1
    assert len(result.trouble) == 2
    assert any("SHA-256 differs" in t for t in result.trouble)
    assert "differs or unreadable" in (result.folder / "index.html").read_text("utf-8")


def test_damage_that_leaves_size_and_time_is_told_by_a_second_run(kept: Kept) -> None:
    kept.deliver()
    path = kept.folder / "Harbour_f002_t1.dng"
    before = path.stat()
    data = bytearray(path.read_bytes())
    data[-1000] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    result = kept.deliver()
    assert [t for t in result.trouble if "SHA-256 differs" in t] == result.trouble != []
    page = (result.folder / "index.html").read_text("utf-8")
    assert page.count("differs or unreadable") == 1


def test_a_roll_of_which_no_file_can_be_read_is_still_described(kept: Kept) -> None:
    for path in kept.folder.glob("*.dng"):
        path.write_bytes(b"II*\0 no raw file any more")
    result = kept.deliver()
    assert (result.printed, len(result.trouble), result.sidecars) == (0, 3, 4)
    assert [t[:15] for t in result.trouble] == [f"Harbour_f00{n}_t1"[:15] for n in (1, 2, 3)]
    assert {"index.html", "contact-sheet-a4.pdf", "roll.csv"} <= {
        p.name for p in result.folder.iterdir()
    }


def test_what_has_no_positive_is_named(kept: Kept) -> None:
    assert kept.deliver().left_out == "No positive of: frame 4 (open)."
    kept.archive.store.frames.decide(kept.roll.id, 2, FrameState.BLANK)
    kept.archive.store.frames.decide(kept.roll.id, 3, FrameState.SKIPPED)
    assert kept.deliver().left_out == (
        "No positive of: frame 4 (open); frame 3 (skipped); frame 2 (blank)."
    )
    kept.archive.store.frames.decide(kept.roll.id, 3, FrameState.BLANK)
    assert kept.deliver().left_out == "No positive of: frame 4 (open); frames 2 to 3 (blank)."


def test_a_frame_that_was_marked_blank_afterwards_has_no_positive(kept: Kept) -> None:
    kept.archive.store.frames.decide(kept.roll.id, 2, FrameState.BLANK, None)
    result = kept.deliver()
    assert result.printed == 2
    assert result.left_out == "No positive of: frame 4 (open); frame 2 (blank)."
    assert not (kept.folder / "delivered" / "positives" / "Harbour_f002_t1.jpg").exists()


def test_a_contrast_that_was_chosen_at_the_bench_is_delivered(kept: Kept) -> None:
    kept.deliver()
    roll = OpenRoll(kept.archive, kept.roll)
    choose_contrast(roll, next_contrast(contrast_of(roll, 2)), 2)
    assert [contrast_of(roll, frame) for frame in (1, 2)] == ["normal", "hard"]
    assert kept.deliver().printed == 1
    choose_contrast(roll, "soft", None)
    assert contrast_of(roll, 1) == "soft"
    assert kept.deliver().printed == 3
    roll.close()
    steps = ["soft"]
    while (following := next_contrast(steps[-1])) not in steps:
        steps.append(following)
    assert steps == ["soft", "normal", "hard"]


def test_a_contrast_is_remembered_and_only_for_negatives(kept: Kept, tmp_path: Path) -> None:
    assert kept.deliver().printed == 3
    assert kept.deliver(contrasts={2: "hard"}).printed == 1
    assert kept.deliver().printed == 0
    assert "hard" in (kept.folder / "delivered" / "index.html").read_text("utf-8")
    slides = kept_roll(tmp_path / "slides", process=FilmProcess.TRANSPARENCY, frames=1)
    with pytest.raises(TetherError, match="negatives only"):
        slides.deliver(contrasts={0: "soft"})
    slides.archive.close()


def test_a_name_in_the_database_that_leads_elsewhere_is_not_followed(
    kept: Kept, tmp_path: Path
) -> None:
    outside = tmp_path / "outside.dng"
    outside.write_bytes((kept.folder / "Harbour_f002_t1.dng").read_bytes())
    with sqlite3.connect(kept.archive.root / DATABASE) as database:
        database.execute(
            "UPDATE capture SET file_name = '../../outside.dng' WHERE frame = 2 AND take = 1"
        )
    result = kept.deliver()
    assert result.printed == 2
    assert "no name of a file" in result.trouble[0]
    assert "outside" not in " ".join(p.name for p in result.folder.rglob("*"))
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".xmp"] == []


@pytest.mark.parametrize(
    "name", ["\u0645" * 127, "=1+1 \U0001f6a2 <b>&'\"", "a" * 255], ids=["script", "markup", "long"]
)
def test_a_roll_with_any_name_is_delivered(tmp_path: Path, name: str) -> None:
    roll = kept_roll(tmp_path / "archive", name=name, frames=1, expected=1)
    try:
        result = roll.deliver()
        assert (result.printed, result.trouble) == (1, [])
        assert result.folder.is_relative_to(roll.archive.root)
    finally:
        roll.archive.close()


def test_a_sidecar_that_somebody_changed_is_left_alone(kept: Kept) -> None:
    kept.deliver()
    mine = kept.folder / "Harbour_f001_t1.xmp"
    mine.write_text("edited elsewhere")
    result = kept.deliver(turns={0: 180})
    assert mine.read_text() == "edited elsewhere"
    assert result.sidecars == 3
    assert "Another program changed the sidecar" in result.trouble[0]


def test_a_sidecar_that_was_there_before_is_left_alone(kept: Kept) -> None:
    foreign = kept.folder / "Harbour_f002_t1.xmp"
    foreign.write_text("from before")
    kept.deliver()
    assert foreign.read_text() == "from before"


def test_sidecars_of_this_program_are_brought_up_to_date_from_any_folder(
    kept: Kept, tmp_path: Path
) -> None:
    kept.deliver()
    kept.archive.store.frames.set_note(kept.roll.id, 2, "a new note")
    result = kept.delivery(to=tmp_path / "elsewhere")
    assert result.run().trouble == []
    assert b"a new note" in (kept.folder / "Harbour_f002_t1.xmp").read_bytes()


def test_a_folder_with_other_things_in_it_is_refused(kept: Kept, tmp_path: Path) -> None:
    desk = tmp_path / "desk"
    desk.mkdir()
    (desk / "index.html").write_text("mine")
    with pytest.raises(TetherError, match="other files"):
        kept.deliver(to=desk)
    assert [p.name for p in desk.iterdir()] == ["index.html"]
    folder = kept.deliver().folder
    with pytest.raises(TetherError, match="Harbour"):
        DeliveredFolder(folder, "Another roll")


def test_a_run_that_was_killed_at_its_very_beginning_locks_nobody_out(
    kept: Kept, tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / ".in-use").write_text("process 1")
    (folder / ".new-abc").write_text("half")
    assert kept.deliver(to=folder).printed == 3
    assert not (folder / ".new-abc").exists()


def test_two_at_once_do_not_write_into_one_folder(kept: Kept) -> None:
    first, second = kept.delivery(), kept.delivery()
    with first.folder.held(), pytest.raises(TetherError, match="already open in another program"):
        second.run()
    assert second.run().printed == 3, "and the folder is free again"


def test_a_folder_that_cannot_be_written_to_is_told(kept: Kept, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(TetherError, match="cannot be used"):
        kept.deliver(to=tmp_path / "file" / "out")


def test_a_roll_without_kept_frames_is_refused(kept: Kept) -> None:
    for frame in (1, 2, 3):
        kept.archive.store.frames.decide(kept.roll.id, frame, FrameState.SKIPPED)
    with pytest.raises(TetherError, match="No frame"):
        kept.deliver()
    assert not (kept.folder / "delivered").exists()


def test_csv_and_json_hold_the_roll(kept: Kept) -> None:
    kept.archive.store.frames.set_note(kept.roll.id, 2, '=HYPERLINK("http://example.invalid")')
    folder = kept.deliver().folder
    with (folder / "roll.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert (rows[0]["shutter"], rows[0]["shutter_s"]) == ("1/15", str(1 / 15))
    assert [(r["frame"], r["take"], r["choice"]) for r in rows] == [
        ("1", "1", "chosen"), ("1", "2", "other"), ("2", "1", "chosen"), ("3", "1", "chosen"),
        ("4", "", ""),
    ]  # fmt: skip
    assert rows[2]["note"].startswith("'="), "no spreadsheet takes it for a formula"
    facts = json.loads((folder / "roll.json").read_text("utf-8"))
    assert facts["frames"][0]["captures"][0]["sha256"] == rows[0]["sha256"]
    assert facts["positives"]["settings"]["contrast"] == PositiveSettings().contrast


def _dies(job: str) -> str:
    import os

    if job == "bad":
        os._exit(3)
    return job.upper()


def test_a_file_that_kills_its_worker_costs_no_other_file() -> None:
    done = dict(LocalCrew(2).each_done(_dies, ["a", "bad", "b"], 1))
    assert (done["a"], done["b"]) == ("A", "B")
    assert isinstance(done["bad"], TetherError)


def test_workers_are_bounded_by_memory_jobs_and_wish() -> None:
    assert worker_count(1, 100, 3) <= 3
    assert worker_count(1, 1, None) == 1
    assert worker_count(1 << 50, 100, None) == 1


def framed(kept: Kept, frame: int, framing: object) -> None:
    """Set what was measured of the framing of a frame."""
    frames = {f.number: f for f in kept.archive.store.frames.of(kept.roll)}
    (capture,) = (c for c in frames[frame].captures if c.take == 1)
    kept.archive.store.frames.set_judgement(
        capture.id, Verdict.KEEP, Facts.read({**capture.facts.stored, "framing": framing}), b""
    )


def test_a_frame_whose_edges_were_not_seen_is_cropped_as_the_others_lie(tmp_path: Path) -> None:
    kept = kept_roll(tmp_path / "archive", frames=6, expected=6)
    sides = ["left", "top", "right", "bottom"]
    for frame in (1, 2, 3, 4):
        left = 10.0 + frame
        corners = [[left, 10], [left + 340, 10], [left + 340, 240], [left, 240]]
        framed(kept, frame, {"corners": corners, "seen": sides, "missing_mm": {}})
    framed(kept, 6, {"corners": [[200, 10], [380, 10], [380, 240], [200, 240]], "seen": ["left"]})

    def sizes() -> list[tuple[int, int]]:
        found = []
        for path in sorted((kept.folder / "delivered" / "positives").glob("*.jpg")):
            with Image.open(path) as picture:
                found.append(picture.size)
        return found

    try:
        page = kept.deliver().folder / "index.html"
        known = sizes()
        assert {width for width, _ in known[:4]} <= {169, 170}
        # Frame 5 has no edges: where the others lie and a little more. Of frame 6 something is
        # known, and it does not lie like them: all of it is shown.
        assert 170 < known[4][0] < 178
        assert known[5] == (192, 128)
        assert "like the other frames (edges not found)" in page.read_text("utf-8")
        said = "The edges of frame 6 were not found: its positive shows the whole"
        assert any(note.startswith(said) for note in kept.deliver().notes)
        assert kept.deliver(crops={5: False}).printed == 1
        assert sizes()[4] == (192, 128)
        assert kept.deliver().printed == 0, "the choice is remembered"
        assert kept.deliver(crops={0: True}).printed == 1
        assert sizes() == known
    finally:
        kept.archive.close()


def test_sidecars_have_the_names_that_other_programs_look_for(kept: Kept) -> None:
    kept.deliver()
    whole = Settings(delivery=DeliverySettings(sidecar="whole"))
    (kept.folder / "Harbour_f002_t1.xmp").write_text("another program's")
    kept.deliver(whole)
    found = sorted(path.name for path in kept.folder.glob("*.xmp"))
    assert found == [
        "Harbour_f001_t1.dng.xmp", "Harbour_f001_t2.dng.xmp", "Harbour_f002_t1.dng.xmp",
        "Harbour_f002_t1.xmp", "Harbour_f003_t1.dng.xmp",
    ], "ours has moved, another program's stays"  # fmt: skip


def test_a_camera_clock_that_was_another_is_told(kept: Kept) -> None:
    def note() -> str:
        return " ".join(n for n in kept.deliver().notes if "camera's clock" in n)

    assert note() == ""
    with closing(sqlite3.connect(kept.archive.root / DATABASE)) as database:
        # A time zone away, and half a minute: no difference.
        database.execute("UPDATE capture SET taken_at = '2024-05-04T04:30:30.000+00:00'")
        database.commit()
        assert note() == ""
        database.execute("UPDATE capture SET taken_at = '2026-11-29T10:05:00.000+00:00'")
        database.commit()
    assert note().startswith("The camera's clock was 939 days behind the computer's at frame 1.")


def test_the_resolution_is_that_of_the_film(tmp_path: Path) -> None:
    kept = kept_roll(tmp_path / "archive", frames=3)
    corners = [[10.0, 10], [370.0, 10], [370.0, 250], [10.0, 250]]
    framed(kept, 1, {"corners": corners, "seen": ["left", "top", "right"], "missing_mm": {}})
    try:
        folder = kept.deliver().folder / "positives"
    finally:
        kept.archive.close()
    # 360 photosites along 36 mm (ISO 1754) are 254 an inch, and half of them pixels here.
    for frame in (1, 2, 3):
        with Image.open(folder / f"Harbour_f00{frame}_t1.jpg") as picture:
            assert picture.info["dpi"] == pytest.approx((127, 127), abs=0.5)


def test_a_wish_for_a_frame_that_is_not_there_is_refused(kept: Kept) -> None:
    with pytest.raises(TetherError, match="no frame 9"):
        kept.deliver(turns={9: 90})


def read(kind: PerFrame, *texts: str) -> dict[int, object]:
    return dict(kind.convert(text, None, None) for text in texts)


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        (YES_OR_NO, ["7", "=no", "7=maybe", "x=no", "-1=no"]),
        (STOPS, ["x", "7=", "=1", "7=9", "nan"]),
        (QUARTER_TURN, ["45", "7=45", "1.5", ""]),
    ],
)
def test_what_is_chosen_for_a_frame_is_read_from_the_command_line(
    kind: PerFrame, wrong: list[str]
) -> None:
    assert read(YES_OR_NO, "7=no", "yes") == {7: False, 0: True}
    assert read(STOPS, "7=0.5", "-1") == {7: 0.5, 0: -1.0}
    assert read(QUARTER_TURN, "3=-90", "180") == {3: 270, 0: 180}
    for text in wrong:
        with pytest.raises(click.BadParameter, match="not understood"):
            kind.convert(text, None, None)
