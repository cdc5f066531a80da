"""Archives that the program of commit 8593120 left are opened, checked, gone on with and mended."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.archive.bench_rig import ContentJudge
from tests.archive.conftest import Desk
from tether.archive.archive import Archive
from tether.archive.database import ArchiveDatabaseDamaged
from tether.archive.rebuild import rebuild
from tether.archive.records import FrameState
from tether.archive.verify import check
from tether.session.next_step import NextKind
from tether.session.session import Session

_STORED = Path(__file__).parents[1] / "fixtures" / "archives_8593120"

Copied = Callable[[str], Path]


@pytest.fixture
def copied(tmp_path: Path) -> Copied:
    """A copy of a stored archive to work in."""

    def copy(name: str) -> Path:
        return Path(shutil.copytree(_STORED / name, tmp_path / name))

    return copy


def wrong_files(archive: Archive) -> set[tuple[str, str]]:
    """What a check of the whole archive finds: what is wrong, and with which file."""
    found = check(archive, archive.store.rolls.all(), 1)
    return {(finding.kind.value, finding.path.name) for finding in found.findings}


def pictures(root: Path) -> dict[str, str]:
    """The SHA-256 of every raw file in an archive."""
    return {
        str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in root.rglob("*.dng")
    }


def test_a_finished_roll_is_whole_and_done(copied: Copied) -> None:
    root = copied("finished")
    before = pictures(root)
    with closing(Archive(root)) as archive:
        assert wrong_files(archive) == set()
        roll = archive.store.rolls.named("Harbour 1987")
        frames = archive.store.frames.of(roll)
        assert [len(frame.captures) for frame in frames] == [2, 1, 1]
        assert any(frame.note for frame in frames)
        assert all(c.facts.stored for frame in frames for c in frame.captures)
        with Session(archive, roll, None, ContentJudge()) as session:
            assert session.next_step().kind is NextKind.DONE
            assert session.bench.light.kept.gate is not None, "the light test is read"
    assert pictures(root) == before


def test_an_interrupted_arrival_is_filed_with_its_bytes(copied: Copied) -> None:
    root = copied("interrupted")
    (part,) = (root / "Harbour 1987" / "incoming").iterdir()
    digest = hashlib.sha256(part.read_bytes()).hexdigest()
    with closing(Archive(root)) as archive:
        roll = archive.store.rolls.named("Harbour 1987")
        (intent,) = archive.store.journal.intents(roll.id)
        assert intent.facts["parcels"][0]["sha256"] == digest
        with Session(archive, roll, None, ContentJudge()) as session:
            assert any("had arrived and is filed now" in line for line in session.found)
            (capture,) = session.frames()[1].captures
            assert capture.sha256 == digest
            assert session.frames()[0].state is FrameState.KEPT
        assert archive.store.journal.intents(roll.id) == []
        assert wrong_files(archive) == set()
        filed = archive.file(roll, capture.file_name)
        assert hashlib.sha256(filed.read_bytes()).hexdigest() == digest
    assert not part.exists(), "it has its name now"


def test_a_damaged_archive_is_mended_and_says_what_is_lost(copied: Copied) -> None:
    root = copied("damaged")
    before, torn = pictures(root), (root / "Harbour 1987" / "frames" / "f001.json").read_bytes()
    with pytest.raises(ValueError, match=r"Unterminated|Expecting|delimiter"):
        json.loads(torn)
    database = (root / "tether.sqlite3").read_bytes()
    done = rebuild(root)
    kept = {path.read_bytes() for path in done.moved_away}
    assert database in kept, "the damaged database is kept as it was"
    after = pictures(root)
    assert after == before, "no raw file was deleted or changed"
    assert (root / "Harbour 1987" / "strange.txt").is_file()
    with closing(Archive(root)) as archive:
        assert archive.store.damage() == []
        roll = archive.store.rolls.named("Harbour 1987")
        assert wrong_files(archive) == {
            ("changed", "Harbour 1987_f002_t1.dng"),
        }
        captures = [c.file_name for f in archive.store.frames.of(roll) for c in f.captures]
        assert set(captures) == {name.partition("/")[2] for name in before if "/bench/" not in name}


def test_a_damaged_database_says_so(copied: Copied) -> None:
    with (
        pytest.raises(ArchiveDatabaseDamaged) as raised,
        closing(Archive(copied("damaged"), create=False)) as archive,
    ):
        archive.store.damage()
    assert "tether rebuild" in raised.value.todo


def test_a_step_that_a_newer_program_stored_stops_nothing(desk: Desk) -> None:
    session = desk.session()
    desk.work(session, keep=1)
    state = desk.root / "Harbour" / "state.json"
    desk.close()
    facts = json.loads(state.read_text())
    facts["steps"].append({"scope": "frame", "place": 2, "key": "of-a-newer-program"})
    facts["steps"].append({"scope": "of-a-newer-program", "place": 0, "key": "bench"})
    state.write_text(json.dumps(facts))
    (desk.root / "tether.sqlite3").unlink()
    rebuild(desk.root)
    session = desk.session()
    steps = session.store.journal.confirmed(session.checklist.sitting.id, session.roll.id)
    assert [s.scope.value for s in steps if s.key == "of-a-newer-program"] == ["frame"]
    assert session.view().place.frame == 2
    desk.work(session)
    assert session.next_step().kind is NextKind.DONE
