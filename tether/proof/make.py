"""Make a roll's proof, and choose its frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tether.archive.archive import Archive
from tether.archive.durable import copy_verified, digest_of
from tether.archive.open_roll import OpenRoll
from tether.archive.records import FrameState, NewRoll, Roll, RollError
from tether.disk import flush_folder
from tether.errors import TetherError
from tether.facts import Corners
from tether.proof.pages import FoundPage, ProofWorker
from tether.proof.record import Proof, ProofPage, read_proof, write_proof
from tether.text import plural, printable
from tether.worker_process import RAW_MEMORY_BYTES, RAW_SECONDS, WorkerProcess

_ENDINGS = 6


@dataclass(frozen=True, slots=True)
class ProofWish:
    """What a person said of the pictures: how the pages read, and the first frame's number.

    ``first`` None goes on after the frames that are on the roll's proof already.
    """

    pictures: Sequence[Path]
    turn: int = 0
    mirrored: bool = False
    first: int | None = None


def proof_worker() -> WorkerProcess:
    """Return a worker for `ProofWorker`; call its ``start`` before each call."""
    return WorkerProcess(
        ProofWorker, name="The reader of sleeve pages", memory_bytes=RAW_MEMORY_BYTES
    )


def make_proof(
    archive: Archive, new: NewRoll, wish: ProofWish, tell: Callable[[str], None]
) -> Proof:
    """Find the frames on pictures of a roll's sleeves, and file the pictures with the roll.

    A roll that is not there yet is made, with as many frames as are found; one that is there keeps
    its film, and gets frames where it has too few. The pictures are copied, never moved.

    Parameters
    ----------
    new
        The roll's name, film and format; its number of frames does not count.
    tell
        Takes a line about each picture.

    Raises
    ------
    TetherError
        When a picture cannot be read or no film is found on it: then nothing is filed.
    """
    known = archive.store.rolls.named(new.name) if archive.store.rolls.has(new.name) else None
    process = known.process if known else new.process
    key = known.format_key if known else new.format_key
    found: list[tuple[Path, FoundPage]] = []
    with closing(proof_worker()) as worker:
        for path in wish.pictures:
            worker.start()
            page: FoundPage = worker.call(
                "find", path, process, key, turn=wish.turn, mirrored=wish.mirrored,
                timeout=RAW_SECONDS,
            )  # fmt: skip
            if not page.frames:
                raise TetherError(
                    f"No film was found on {printable(path.name)}.",
                    kept="Nothing was filed.",
                    todo="Photograph the sleeves on a light table, with bare table around each "
                    "strip. Check --film, --format and --turn.",
                )
            tell(
                f"{printable(path.name)}: {plural(len(page.frames), 'frame')} on "
                f"{plural(len(page.strips), 'strip')} ({', '.join(map(str, page.strips))})."
            )
            found.append((path, page))
    roll = known or _added(archive, new, wish, found)
    at_work = OpenRoll(archive, roll)
    try:
        return _filed(at_work, wish, found)
    finally:
        at_work.close()


def _added(
    archive: Archive, new: NewRoll, wish: ProofWish, found: Sequence[tuple[Path, FoundPage]]
) -> Roll:
    frames = sum(len(page.frames) for _, page in found) + (wish.first or 1) - 1
    strips = Counter(n for _, page in found for n in page.strips)
    usual = max(strips, key=lambda n: (strips[n], n))
    return archive.store.rolls.add(
        NewRoll(
            new.name, new.process, new.format_key, frames, usual, new.notes, new.description
        ).checked()
    )


def _filed(at_work: OpenRoll, wish: ProofWish, found: Sequence[tuple[Path, FoundPage]]) -> Proof:
    archive, folder = at_work.archive, at_work.test_folder
    folder.mkdir(exist_ok=True)
    flush_folder(folder.parent)
    proof = read_proof(folder)
    number = wish.first or max(proof.frames, default=0) + 1
    pages = list(proof.pages)
    filed = []
    for path, page in found:
        size, sha256, _ = digest_of(path)
        name = _free_name(folder, path)
        copy_verified(path, folder / name, size, sha256)
        filed.append((name, size, sha256))
        frames: dict[int, Corners] = dict(enumerate(page.frames, number))
        number += len(frames)
        pages = [
            ProofPage(p.file, {n: c for n, c in p.frames.items() if n not in frames}) for p in pages
        ]
        pages.append(ProofPage(name, frames))
    proof = Proof(tuple(pages), proof.circled)
    at_work.store.frames.add_bench_shots(at_work.id, filed)
    if number - 1 > at_work.roll.frames_expected:
        at_work.store.rolls.change(at_work.id, frames_expected=number - 1)
    write_proof(folder, proof)
    archive.write_bench_shots(at_work.roll)
    archive.write_roll(at_work.roll)
    at_work.log(
        "roll",
        f"Proof of {plural(len(proof.frames), 'frame')}: {', '.join(n for n, _, _ in filed)}",
    )
    archive.write_log(at_work.roll)
    return proof


def _free_name(folder: Path, path: Path) -> str:
    ending = path.suffix.lower()[:_ENDINGS]
    ending = ending if ending[1:].isalnum() else ".raw"
    number = 1
    while any(folder.glob(f"proof_{number}.*")):
        number += 1
    return f"proof_{number}{ending}"


def choose_frames(at_work: OpenRoll, changed: Mapping[int, str | None]) -> Proof:
    """Circle frames on a roll's proof, each with a word or "", or for None take the circle off.

    While any is circled, the frames of the proof that are not, and were not photographed, are
    skipped: the session goes from circle to circle. Without a circle all are open again.

    Raises
    ------
    RollError
        When a frame is not on the proof.
    """
    folder, store = at_work.test_folder, at_work.store
    proof = read_proof(folder)
    for number in changed:
        if number not in proof.frames:
            raise RollError(
                f"Frame {number} is not on the proof of '{printable(at_work.roll.name)}'.",
                kept="Nothing was changed.",
                todo=f"Its frames are {min(proof.frames)} to {max(proof.frames)}."
                if proof.frames
                else "Make one first: tether proof ROLL PICTURE.",
            )
    proof = proof.with_circles(changed)
    write_proof(folder, proof)
    for frame in at_work.frames():
        if frame.number not in proof.frames or frame.captures:
            continue
        wanted = not proof.circled or frame.number in proof.circled
        if wanted and frame.state is FrameState.SKIPPED:
            store.frames.decide(at_work.id, frame.number, FrameState.OPEN)
        elif not wanted and frame.state is FrameState.OPEN:
            store.frames.decide(at_work.id, frame.number, FrameState.SKIPPED)
        else:
            continue
        at_work.write_frame(frame.number)
    at_work.log("choice", f"Circled on the proof: {ranges(proof.circled) or 'none'}")
    return proof


def ranges(numbers: Mapping[int, str] | Sequence[int]) -> str:
    """Return numbers in short: "3, 7-9"."""
    parts: list[list[int]] = []
    for number in sorted(numbers):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in parts)


def numbers_in(text: str) -> tuple[int, ...]:
    """Return the numbers that a person wrote: "3, 7-9".

    Raises
    ------
    TetherError
        When it says no numbers.
    """
    found: list[int] = []
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or len(part) > 12:
            raise TetherError(
                f"'{printable(text, 40)}' names no frames.", todo="Write them like 3,7-9."
            )
        a, b = int(first), int(last or first)
        if b < a or b - a > 1000:
            raise TetherError(
                f"'{printable(part, 20)}' names no frames.", todo="Write them like 3,7-9."
            )
        found += range(a, b + 1)
    return tuple(found)
