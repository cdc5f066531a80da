"""The plan: its numbers, its words, the pace of an archive, and bad input."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.archive.archive import Archive
from tether.archive.records import Capture, Companion, FrameState, NewRoll, Roll
from tether.cli.bench_plan import Asked, bench_plan, read_bench, stars
from tether.cli.plan import WIDTH, plan_text
from tether.errors import TetherError
from tether.film import FILM_FORMATS, FilmProcess
from tether.findings import Verdict
from tether.reports.pace import FramePace, Taken, pace_of
from tether.settings import PlanningSettings, Settings

ROOT = Path(__file__).parents[2]
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
PAUSE = timedelta(minutes=15)
WHOLE = Asked(pixels="8192x5464", focal=100.0, closest="1:2", rolls=2500, seconds_per_frame=14.0)


def planned(asked: Asked, archive: Path | None = None) -> dict[str, Any]:
    return bench_plan(asked, Settings(), archive)


def capture(frame: int, take: int, at: datetime, size: int = 1000) -> Capture:
    return Capture(
        id=0, frame=frame, take=take, file_name=f"f{frame}t{take}.dng", size=size,
        sha256=f"{frame:032d}{take:032d}", taken_at=at.isoformat(), origin="camera",
        decision=None, verdict=Verdict.KEEP, settings={}, companions=(),
    )  # fmt: skip


def shoot(archive: Archive, roll: Roll, *seconds: float, size: int = 1000) -> None:
    """Record and keep one frame for each time after noon."""
    for n, second in enumerate(seconds, 1):
        one = capture(n, 1, NOON + timedelta(seconds=second), size)
        (kept,) = archive.store.frames.add_release(roll, [one])
        archive.store.frames.decide(roll.id, n, FrameState.KEPT, kept.id)


def test_the_bench_in_round_numbers() -> None:
    """By hand: 24 / 26; f/8 x (1 + 24/26); 100 x 24/26 of extension, of which the lens has 50."""
    found = planned(WHOLE)
    assert found["magnification"] == pytest.approx(24 / 26)
    assert found["aperture"]["working"] == pytest.approx(8 * 50 / 26)
    assert found["lens"]["extension_mm"] == pytest.approx(2400 / 26)
    assert found["lens"]["spacer_mm"] == pytest.approx(2400 / 26 - 50)
    assert found["lens"]["reaches"] is False
    assert found["resolution"]["pixels_per_inch"] == pytest.approx(8192 / 36 * 25.4 * 24 / 26)
    assert found["collection"]["frames_left"] == 90000
    assert found["collection"]["hours_left"] == pytest.approx(350.0)
    assert found["collection"]["bytes_left"] == pytest.approx(90000 * Settings().storage.raw_bytes)


def test_every_number_by_hand(archive: Archive, roll: Roll) -> None:
    """Photosites of 4 µm behind a lens of 100 mm at f/8, 24 mm of film and 1 mm each side of it.

    The formulas are those of textbooks of optics, worked out here for these numbers.
    """
    shoot(archive, roll, 0, 10, 20)
    found = planned(replace(WHOLE, pixels="9000x6000", seconds_per_frame=None), archive.root)
    m, working = 24 / 26, 8 * 50 / 26
    assert found["picture_mm"] == [36.0, 24.0]
    assert found["sensor_mm"] == [36.0, 24.0]
    assert found["rebate_mm"] == 1.0
    # Thin lens: f (1 + m) behind it and f (1 + 1/m) before it.
    assert found["lens"]["film_to_sensor_mm"] == pytest.approx(100 * (2 + m + 1 / m))
    assert found["aperture"]["light_lost_ev"] == pytest.approx(2 * math.log2(1 + m))
    light = found["diffraction"]
    assert (light["wavelength_nm"], light["pitch_um"]) == (550.0, pytest.approx(4.0))
    assert light["airy_um"] == pytest.approx(2.44 * 0.55 * working, rel=1e-3)
    assert light["airy_pixels"] == pytest.approx(2.44 * 0.55 * working / 4, rel=1e-3)
    assert light["cutoff_lp_mm"] == pytest.approx(1000 / (0.55 * working))
    assert light["nyquist_lp_mm"] == pytest.approx(125.0)
    # Lines two pixels wide, 62.5 pairs per mm: 2/pi (acos v - v sqrt(1 - v²)), v = 0.52885.
    v = 62.5 * 0.55 * working / 1000
    left = 2 / math.pi * (math.acos(v) - v * math.sqrt(1 - v * v))
    assert light["contrast_two_pixels"] == pytest.approx(left)
    depth = found["depth"]
    assert (depth["blur_pixels"], depth["blur_um"]) == (2.0, pytest.approx(8.0))
    assert depth["depth_mm"] == pytest.approx(2 * 8 * 0.008 * (1 + m) / m**2)
    assert depth["curl_mm"] == 0.3
    assert depth["covers_curl_marked"] == pytest.approx(0.3 * m**2 / (2 * 0.008 * (1 + m)))
    detail = found["resolution"]
    assert detail["picture_pixels"] == [round(36 * m * 250), round(24 * m * 250)]
    assert detail["finest_on_film_lp_mm"] == pytest.approx(125 * m)
    # FADGI (from memory): four stars from 4000 per inch. The lens alone: 250 x 25.4 / 2 = 3175.
    assert (detail["fadgi_stars"], detail["without_spacer_fadgi_stars"]) == (4, 3)
    assert detail["without_spacer_pixels_per_inch"] == pytest.approx(3175.0)
    work = found["collection"]
    assert (work["rolls_from"], work["frames_per_roll_from"]) == ("given", "archive")
    assert (work["seconds_per_frame"], work["seconds_per_frame_from"]) == (10.0, "archive")
    assert (work["bytes_per_frame"], work["bytes_per_frame_from"]) == (1000, "archive")
    assert work["pause_minutes"] == 15.0
    assert work["hours_left"] == pytest.approx(work["frames_left"] * 10 / 3600)
    assert work["days_left"] == pytest.approx(work["hours_left"] / work["day_hours"])
    assert work["bytes_free"] > 0
    spare = Settings().storage.spare_bytes
    assert work["enough_room"] == (work["bytes_free"] >= work["bytes_left"] + spare)


@pytest.mark.parametrize(
    ("aperture", "limit"), [(2.0, "pixels"), (5.6, "both"), (8.0, "both"), (11.0, "diffraction")]
)
def test_what_limits_the_detail(aperture: float, limit: str) -> None:
    """45 megapixels on 36 x 24 mm: two pixels of Airy disc at f/3.4, the balance at f/8.3."""
    found = planned(replace(WHOLE, aperture=aperture))["diffraction"]
    assert found["limit"] == limit
    assert found["begins_marked"] == pytest.approx(3.4, abs=0.05)
    assert found["balance_marked"] == pytest.approx(8.3, abs=0.05)
    assert (found["contrast_one_pixel"] == 0) == (limit == "diffraction")


def test_a_lens_that_reaches_needs_no_spacer() -> None:
    found = planned(replace(WHOLE, closest="1:1"))
    assert found["lens"]["spacer_mm"] == 0
    assert found["lens"]["reaches"] is True
    assert found["resolution"]["without_spacer_pixels_per_inch"] is None
    text = plan_text(found)
    assert "without a spacer" in text
    assert "Spacer needed" not in text


def test_stars_are_for_film_up_to_five_inches() -> None:
    assert [stars(ppi, 36.0) for ppi in (999, 1000, 2999, 3000, 3999.9)] == [0, 1, 2, 3, 3]
    assert stars(4000, FILM_FORMATS["120-6x12-118"].picture_along) == 4
    assert stars(4000, FILM_FORMATS["120-6x17"].picture_along) is None  # 6.6 inches
    panorama = planned(replace(WHOLE, film_format="120-6x17"))
    assert panorama["resolution"]["fadgi_stars"] is None
    assert "no level for more than 5 inches" in plan_text(panorama)


def test_pixels_along_the_side_are_another_count() -> None:
    """Product SPF-P1 of NARA ("4000 line"): 4,000 pixels along the longer side.

    On 36 mm these are 2,822 pixels per inch, which the stars by the inch put at two.
    """
    assert pytest.approx(2822, abs=1) == 4000 / 36 * 25.4
    assert stars(4000 / 36 * 25.4, 36.0) == 2
    assert "reaches the 4000 pixels of NARA's" in plan_text(planned(WHOLE))
    assert "under the 4000 pixels of NARA's" in plan_text(planned(replace(WHOLE, pixels="12 MP")))


def test_a_mounted_slide_fills_more_of_the_sensor() -> None:
    """SMPTE and BKSTS tables: a mount shows 34.3 x 22.5 mm, which is 6 % more pixels an inch."""
    mounted, whole = (
        planned(replace(WHOLE, film_format=key))["resolution"]["pixels_per_inch"]
        for key in ("135-mount", "135")
    )
    assert mounted / whole == pytest.approx(1.06, abs=0.005)


def test_what_was_not_said_is_not_made_up() -> None:
    found = planned(Asked())
    for part in ("lens", "diffraction", "depth", "resolution", "collection"):
        assert found[part] is None
    text = plan_text(found)
    for option in ("--focal", "--pixels", "--rolls"):
        assert option in text
    assert "\n\n\n" not in text


def test_curl_is_weighed_against_depth_and_detail() -> None:
    words = {n: plan_text(planned(replace(WHOLE, aperture=n))) for n in (5.6, 11.0)}
    assert "stop down, or flatten" in words[5.6]
    assert "covers the curl" in words[11.0]
    stiff = Settings(planning=PlanningSettings(curl_mm=0.6))
    assert "costs the finest detail" in plan_text(
        bench_plan(WHOLE, stiff)
    ).replace("\n  ", " ")  # fmt: skip
    assert "curl from" not in plan_text(
        bench_plan(WHOLE, Settings(planning=PlanningSettings(curl_mm=0.0)))
    )


@given(
    st.sampled_from(sorted(FILM_FORMATS)),
    st.sampled_from(["36x24", "23.5x15.6", "17.3x13", "43.8x32.9", "53.4x40"]),
    st.one_of(st.none(), st.integers(1, 400).map(str)),
    st.one_of(st.none(), st.floats(5, 2000)),
    st.floats(0.7, 128),
    st.floats(0.1, 10),
    st.one_of(st.none(), st.sampled_from(["0", "0.25", "1:2", "1", "2:1", "20"])),
    st.one_of(st.none(), st.integers(1, 10_000_000)),
    st.one_of(st.none(), st.floats(0.1, 86400)),
)
def test_no_plan_is_wider_than_the_terminal(
    film_format: str, sensor: str, pixels: str | None, focal: float | None, aperture: float,
    pupil_ratio: float, closest: str | None, rolls: int | None, seconds: float | None,
) -> None:  # fmt: skip
    asked = Asked(
        film_format, sensor, pixels, focal, aperture, pupil_ratio, closest, rolls, None, seconds
    )
    found = planned(asked)
    assert max(map(len, plan_text(found).splitlines())) <= WIDTH
    json.dumps(found, allow_nan=False)


def test_megapixels_share_out_over_the_sensor() -> None:
    pixels = read_bench(Asked(pixels="24 MP"), 8.0).pixels
    assert pixels is not None
    assert pixels == (6000, 4000)


def taken(*frames: tuple[float, int]) -> list[Taken]:
    return [Taken(NOON + timedelta(seconds=at), 1, frame, 100) for at, frame in frames]


def test_pace_counts_retakes_and_leaves_out_pauses() -> None:
    """Ten seconds a frame, one retake of 10 s, a night of pause: 40 s over 3 new frames."""
    exposures = taken((0, 1), (10, 2), (20, 2), (30, 3), (40000, 4), (40010, 5))
    pace = pace_of(exposures[::-1], PAUSE)
    assert pace.seconds == pytest.approx(40 / 3)
    assert replace(pace, seconds=None) == FramePace(
        seconds=None, timed=3, pauses=1, bytes_a_frame=120, stored=5
    )


def test_pace_of_little_is_not_made_up() -> None:
    assert pace_of([], PAUSE) == FramePace(None, 0, 0, None, 0)
    assert pace_of(taken((0, 1)), PAUSE).seconds is None
    assert pace_of(taken((0, 1), (5, 1)), PAUSE).seconds is None, "a retake alone is no frame"
    assert pace_of(taken((0, 1), (9000, 2)), PAUSE).seconds is None, "a pause alone is no work"


def test_the_work_left_in_an_archive(archive: Archive, roll: Roll) -> None:
    """Six frames of which three are done, at 20 s each; then ten rolls in all, of six each."""
    shoot(archive, roll, 0, 20, 40, size=2_000_000)
    found = planned(Asked(), archive.root)["collection"]
    assert (found["rolls"], found["rolls_left"], found["frames_left"]) == (1, 1, 3)
    assert found["seconds_per_frame"] == pytest.approx(20.0)
    assert found["frames_timed"] == 2
    assert found["bytes_left"] == pytest.approx(6e6)
    whole = planned(Asked(rolls=10), archive.root)["collection"]
    assert (whole["rolls_left"], whole["frames_left"]) == (10, 57)
    assert whole["hours_left"] == pytest.approx(57 * 20 / 3600)
    given_pace = planned(Asked(rolls=10, frames_per_roll=36, seconds_per_frame=60), archive.root)
    assert given_pace["collection"]["hours_left"] == pytest.approx((9 * 36 + 3) / 60)


def test_rolls_entered_beforehand_do_not_hide_the_pace(
    archive: Archive, roll: Roll, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tether.reports.pace.NEWEST_ROLLS", 1)
    monkeypatch.setattr("tether.reports.pace.PAGE", 2)
    shoot(archive, roll, 0, 20)
    for n in range(3):
        archive.store.rolls.add(NewRoll(f"Later {n}", FilmProcess.TRANSPARENCY, "135", 6, 6))
    found = planned(Asked(), archive.root)["collection"]
    assert found["seconds_per_frame"] == pytest.approx(20.0)
    assert (found["rolls_left"], found["frames_left"]) == (4, 22)


def test_a_companion_takes_room_as_well(archive: Archive, roll: Roll) -> None:
    one = capture(1, 1, NOON, 1000)
    beside = Companion("f1t1.jpg", 500, "0" * 64, 1, 1)
    (kept,) = archive.store.frames.add_release(roll, [one], [beside])
    archive.store.frames.decide(roll.id, 1, FrameState.KEPT, kept.id)
    assert planned(Asked(), archive.root)["collection"]["bytes_per_frame"] == 1500


def test_a_disk_that_is_too_small_is_said(archive: Archive, roll: Roll) -> None:
    shoot(archive, roll, 0, 20, size=10**15)
    found = planned(Asked(), archive.root)
    assert found["collection"]["enough_room"] is False
    assert "too small for the frames" in plan_text(found)


def test_times_from_elsewhere_may_be_anything(archive: Archive, roll: Roll) -> None:
    shoot(archive, roll, 0, 30)
    for n, text in enumerate(("", "yesterday", "2024-05-01T12:01:00", "0001-01-01T00:00+14:00"), 3):
        archive.store.frames.add_release(roll, [replace(capture(n, 1, NOON), taken_at=text)])
    found = planned(Asked(), archive.root)["collection"]
    assert found["seconds_per_frame"] == pytest.approx(30.0)
    assert found["frames_timed"] == 2, "a time without a zone counts as UTC"


def test_planning_changes_nothing(archive: Archive, roll: Roll) -> None:
    before = sorted(p.name for p in archive.root.rglob("*") if p.name[-4:] not in ("-wal", "-shm"))
    planned(Asked(rolls=3), archive.root)
    after = sorted(p.name for p in archive.root.rglob("*") if p.name[-4:] not in ("-wal", "-shm"))
    assert before == after


def test_a_collection_smaller_than_the_archive_is_refused(archive: Archive, roll: Roll) -> None:
    archive.store.rolls.add(NewRoll("Quay", FilmProcess.TRANSPARENCY, "135", 6, 6))
    with pytest.raises(TetherError, match="less than the 2 rolls"):
        planned(Asked(rolls=1), archive.root)


BAD = [
    (Asked(film_format="110"), "no film format"),
    (Asked(film_format="\x1b[31m"), "no film format"),
    (Asked(sensor="36"), "not a width and a height"),
    (Asked(sensor="36x-24"), "not a width"),
    (Asked(sensor="infx24"), "not a width"),
    (Asked(sensor="1e9x24"), "not a width"),
    (Asked(sensor="3_6x24"), "not a width"),
    (Asked(pixels="x"), "not a width"),
    (Asked(pixels="5464x8192"), "do not fit together"),
    (Asked(pixels="0"), "--pixels 0"),
    (Asked(pixels="9" * 400), "not a width"),
    (Asked(focal=float("nan")), "--focal"),
    (Asked(focal=float("inf")), "--focal"),
    (Asked(aperture=0.0), "--aperture"),
    (Asked(pupil_ratio=-1.0), "--pupil-ratio"),
    (Asked(closest="1:0"), "not a magnification"),
    (Asked(closest="half"), "not a magnification"),
    (Asked(closest="1:2:3"), "not a magnification"),
    (Asked(rolls=0), "--rolls"),
    (Asked(rolls=10**12), "--rolls"),
    (Asked(frames_per_roll=0), "--frames-per-roll"),
    (Asked(seconds_per_frame=0.0), "--seconds-per-frame"),
]


@pytest.mark.parametrize(("asked", "said"), BAD)
def test_bad_input_is_answered_in_words(asked: Asked, said: str) -> None:
    with pytest.raises(TetherError, match=said) as caught:
        planned(asked)
    assert caught.value.todo
    assert "\x1b" not in str(caught.value)


def words_or_todo(asked: Asked) -> str:
    """What a person reads: the plan, or what to do about the input."""
    try:
        return plan_text(planned(asked))
    except TetherError as error:
        return error.todo


@given(st.text(max_size=20), st.text(max_size=20), st.text(max_size=20))
def test_any_text_is_a_plan_or_a_sentence(sensor: str, pixels: str, closest: str) -> None:
    for asked in (Asked(sensor=sensor), Asked(pixels=pixels), Asked(closest=closest)):
        assert words_or_todo(asked)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tether", "plan", *words],
        capture_output=True, text=True, timeout=120, check=False,
        cwd=ROOT, env=dict(os.environ),
    )  # fmt: skip


def test_the_command(tmp_path: Path) -> None:
    done = run("--pixels", "45", "--focal", "100", "--closest", "1:2", "--rolls", "2500")
    assert done.returncode == 0, done.stderr
    assert "Spacer needed" in done.stdout
    found = json.loads(run("--format", "120-6x6", "--json").stdout)
    assert found["format"] == "120-6x6"
    for words in (["--aperture", "nan"], ["--archive", str(tmp_path / "none")]):
        done = run(*words)
        assert done.returncode == 1
        assert done.stderr
        assert "Traceback" not in done.stderr


def documented() -> set[str]:
    """The keys that docs/json.md names for the plan, in its table."""
    text = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    table = text.split("## `tether plan --json`")[1]
    rows = (line.split("|")[1] for line in table.splitlines() if line.startswith("| `"))
    return {key for row in rows for key in row.replace("`", "").replace(",", " ").split()}


def test_every_key_is_documented() -> None:
    found = planned(WHOLE)
    keys = set(found) | {
        key for value in found.values() if isinstance(value, dict) for key in value
    }  # fmt: skip
    assert keys == documented()


def test_no_documented_number_is_without_a_check() -> None:
    """Each key of the page of JSON is looked at by a test, whatever the command."""
    page = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    cells = [line.split("|") for line in page.splitlines() if line.startswith("| `")]
    keys = {key for row in cells for key in re.findall(r"`([a-z]\w+)`", row[1] + row[-2])}
    tests = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("*.py"))
    assert len(keys) > 90
    assert sorted(key for key in keys if not re.search(rf"\b{key}\b", tests)) == []
