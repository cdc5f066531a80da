"""Proofs by the command line: made from pictures of sleeves, circled, shot by their circles."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image, ImageOps
from tether_simulator.film.curve import FILMS
from tether_simulator.film.scenes import paint
from tether_simulator.film.sleeve_page import SleevePage, photographed

from tether.archive.archive import Archive
from tether.archive.records import Frame, FrameState
from tether.cli.main import app
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.proof.make import numbers_in, ranges
from tether.proof.record import PROOF_FILE, Proof, ProofPage, read_proof, write_proof
from tether.proof.sheet import proof_cells


@pytest.fixture(scope="module")
def page() -> Image.Image:
    """A page of two strips of three frames, 135, black and white."""
    sleeves = SleevePage(
        FILMS[FilmProcess.BW_NEGATIVE], FILM_FORMATS["135"], (3, 3), scale=4.0, seed=3,
        tilt_degrees=1.5,
    )  # fmt: skip
    return photographed(sleeves, lambda n, w, h: paint(n, 3, w, h, False))[0]


def run(*words: str | Path) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def refused(*words: str | Path) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 1, done.output
    return str(done.exception) if isinstance(done.exception, TetherError) else done.output


def frames_of(root: Path) -> tuple[Frame, ...]:
    archive = Archive(root, create=False)
    try:
        return archive.store.frames.of(archive.store.rolls.named("Album"))
    finally:
        archive.close()


def bench(root: Path) -> Path:
    return root / "Album" / "bench"


def test_a_proof_is_filed_circled_and_shot_from_circle_to_circle(
    page: Image.Image, tmp_path: Path
) -> None:
    picture, root = tmp_path / "sleeves.jpg", tmp_path / "archive"
    page.save(picture, quality=92)
    before = picture.read_bytes()
    said = run("proof", "Album", picture, "--archive", root)
    assert "6 frames on 2 strips (3, 3)" in said
    assert "none circled" in said
    assert picture.read_bytes() == before == (bench(root) / "proof_1.jpg").read_bytes()
    assert "all unchanged" in run("verify", "--archive", root)
    said = run("proof", "Album", "--circle", "2,5-6", "--word", "bride", "--archive", root)
    assert "3 circled: 2, 5-6" in said
    states = [frame.state for frame in frames_of(root)]
    assert [n for n, s in enumerate(states, 1) if s is FrameState.OPEN] == [2, 5, 6]
    (listed,) = json.loads(run("rolls", "--json", "--archive", root))
    assert listed["next"] == "frame 2"
    run("proof", "Album", "--uncircle", "2,5-6", "--archive", root)
    assert all(frame.state is FrameState.OPEN for frame in frames_of(root))

    second = run("proof", "Album", picture, "--archive", root)
    assert "12 frames on its proof" in second
    assert len(frames_of(root)) == 12
    assert "no film was found" not in second.lower()


def test_it_comes_back_with_a_rebuild_and_lies_in_the_copy(
    page: Image.Image, tmp_path: Path
) -> None:
    picture, root = tmp_path / "sleeves.png", tmp_path / "archive"
    page.save(picture)
    run("proof", "Album", picture, "--circle", "4", "--archive", root)
    proof = read_proof(bench(root))
    for file in root.glob("tether.sqlite3*"):
        file.unlink()
    run("rebuild", "--archive", root)
    assert read_proof(bench(root)) == proof
    assert [f.number for f in frames_of(root) if f.state is FrameState.OPEN] == [4]
    assert "1 file" in run("verify", "--archive", root)


def test_the_sheet_is_text_that_can_be_read(page: Image.Image, tmp_path: Path) -> None:
    picture, root, sheet = tmp_path / "p.tif", tmp_path / "archive", tmp_path / "proof.pdf"
    tifffile.imwrite(picture, np.asarray(page).astype(np.uint16) * 257, photometric="rgb")
    run("proof", "Album", picture, "--circle", "2", "--archive", root, "--sheet", sheet)
    assert sheet.read_bytes().startswith(b"%PDF-")


def test_pictures_that_read_the_other_way_round_are_numbered_alike(
    page: Image.Image, tmp_path: Path
) -> None:
    cells = {}
    turned = {
        "plain": (page, ()),
        "back": (ImageOps.mirror(page), ("--mirror",)),
        "head": (page.transpose(Image.Transpose.ROTATE_180), ("--turn", "180")),
        "side": (page.transpose(Image.Transpose.ROTATE_90), ("--turn", "90")),
    }
    for name, (image, words) in turned.items():
        picture, root = tmp_path / f"{name}.png", tmp_path / name
        image.save(picture)
        run("proof", "Album", picture, *words, "--archive", root)
        archive = Archive(root, create=False)
        roll = archive.store.rolls.named("Album")
        found = proof_cells(bench(root), roll, read_proof(bench(root)))
        cells[name] = [
            np.asarray(Image.open(io.BytesIO(c)).resize((60, 40)), float) for _, c in found
        ]
        archive.close()
    for name, pictures in cells.items():
        assert len(pictures) == 6
        for one, plain in zip(pictures, cells["plain"], strict=True):
            assert np.abs(one - plain).mean() < 6, name


@pytest.mark.parametrize("what", ["prints", "text", "bare"])
def test_what_shows_no_film_gets_a_sentence_and_nothing_is_filed(tmp_path: Path, what: str) -> None:
    picture, root = tmp_path / "x.jpg", tmp_path / "archive"
    if what == "text":
        picture.write_text("no picture")
    else:
        value = np.full((600, 800, 3), 230, np.uint8)
        if what == "prints":
            value[100:420, 100:340] = 60
            value[100:420, 400:700] = 90
        Image.fromarray(value).save(picture)
    said = refused("proof", "Album", picture, "--archive", root)
    assert "x.jpg" in said
    assert not bench(root).exists()
    archive = Archive(root)
    assert not archive.store.rolls.has("Album")
    archive.close()


def test_numbers_are_read_and_written_as_people_write_them() -> None:
    assert numbers_in(" 3, 7-9,12 ") == (3, 7, 8, 9, 12)
    assert ranges({3: "", 7: "", 8: "", 9: "", 12: ""}) == "3, 7-9, 12"
    for wrong in ("", "a", "3-", "9-3", "1-99999", "3;4", "-3"):
        with pytest.raises(TetherError):
            numbers_in(wrong)


def test_frames_that_are_on_no_page_cannot_be_circled(page: Image.Image, tmp_path: Path) -> None:
    picture, root = tmp_path / "sleeves.png", tmp_path / "archive"
    page.save(picture)
    run("proof", "Album", picture, "--first", "13", "--archive", root)
    assert "Frame 3 is not on the proof" in refused(
        "proof", "Album", "--circle", "3", "--archive", root
    )
    run("proof", "Album", "--circle", "13", "--archive", root)
    assert read_proof(bench(root)).circled == {13: ""}


@pytest.mark.parametrize(
    "stored",
    [
        "[]", "{}", '{"version": 2}', '{"version": 1, "pages": 3, "circled": [1]}',
        '{"version": 1, "pages": [{"file": "../x"}, 3, {"file": "a.jpg", "frames": {"x": 1, '
        '"0": 2, "7": [[0, 0], [1, 0], [1, 1]], "8": "ab"}}], "circled": {"-1": "", "x": ""}}',
    ],
)  # fmt: skip
def test_a_record_that_makes_no_sense_is_no_proof(tmp_path: Path, stored: str) -> None:
    (tmp_path / PROOF_FILE).write_text(stored)
    proof = read_proof(tmp_path)
    assert proof.frames == ()
    assert proof.circled == {}


def test_a_record_is_read_as_it_was_written(tmp_path: Path) -> None:
    corners = ((1.5, 2.0), (30.0, 2.0), (30.0, 22.0), (1.5, 22.0))
    proof = Proof((ProofPage("proof_1.jpg", {1: corners, 2: corners}),), {2: "Ann \x1b[2J"})
    write_proof(tmp_path, proof)
    read = read_proof(tmp_path)
    assert read.pages == proof.pages
    assert set(read.circled) == {2}
    assert "\x1b" not in read.circled[2]
