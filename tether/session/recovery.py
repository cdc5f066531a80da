"""After a stop, however it came: find what was begun and bring it to its end.

Nothing is thrown away. What is found is filed for the frame it was begun for, and said.
"""

from __future__ import annotations

from collections.abc import Iterator

from tether.camera.protocol import Camera
from tether.session.delivery import Delivery
from tether.session.intake import received
from tether.session.roll import Capture
from tether.session.store import Intent
from tether.text import plural, printable

#: How long a camera that was lost may still be writing its picture to the card.
STILL_WRITING_SECONDS = 3.0


def recover(delivery: Delivery, camera: Camera | None, camera_key: str) -> Iterator[str]:
    """Bring everything begun for a roll to its end; yield what there is to say.

    Parameters
    ----------
    delivery
        Of the roll, which this process holds.
    camera
        The camera, None when there is none: releases then stay open until one is there.
    camera_key
        What tells it from another camera.

    Raises
    ------
    CameraError
        When the camera fails while its card is read or a picture fetched. Calling again goes on.
    """
    intents = delivery.store.intents(delivery.roll_id)
    for intent in intents:
        if intent.kind == "arrival":
            yield from _finish_arrival(delivery, intent)
    releases = [i for i in delivery.store.intents(delivery.roll_id) if i.kind == "release"]
    if camera is not None:
        yield from _finish_releases(delivery, camera, camera_key, releases)
    yield from _left_behind(delivery)


def _finish_arrival(delivery: Delivery, intent: Intent) -> Iterator[str]:
    facts = intent.facts
    roll = delivery.roll
    folder = delivery.archive.folder(roll)
    part = delivery.archive.incoming(roll) / str(facts["part"])
    final = folder / str(facts["name"])
    capture = Capture(
        0, intent.frame, int(facts["take"]), final.name, int(facts["size"]),
        str(facts["sha256"]), str(facts["taken_at"]), str(facts["origin"]),
        settings=dict(facts["settings"]),
    )  # fmt: skip
    releases = [
        i.id
        for i in delivery.store.intents(roll.id)
        if i.kind == "release" and i.frame == intent.frame
    ]
    if final.exists() and received(final, final.name, capture.size).sha256 == capture.sha256:
        delivery.store.add_capture(roll, capture, intents=[intent.id, *releases])
        part.unlink(missing_ok=True)  # the same file under its old name, where a link was made
        yield f"Frame {intent.frame}: {printable(final.name)} was on disk and is recorded now."
    elif part.exists():
        arrival = received(part, final.name, capture.size)
        delivery.file_raw(
            final.name, arrival, intent.frame, capture.origin, capture.settings,
            [intent.id, *releases],
        )  # fmt: skip
        yield f"Frame {intent.frame}: a picture that had just arrived is filed now."
    else:
        delivery.store.end(intent.id)


def _finish_releases(
    delivery: Delivery, camera: Camera, camera_key: str, releases: list[Intent]
) -> Iterator[str]:
    new = delivery.store.unknown_card_files(camera_key, camera.list_files())
    ours = [r for r in releases if r.facts.get("camera") == camera_key]
    if ours and not new:
        # The camera may still be writing the picture: what it finishes now comes as an event.
        new = list(camera.wait_for_files(STILL_WRITING_SECONDS))
    if ours and new:
        last = ours[-1]
        delivered = delivery.take(camera, camera_key, new, last.frame, "card", {}, last.id, _quiet)
        yield (
            f"Frame {last.frame}: the picture was on the camera's card and is fetched now."
            if delivered.captures
            else f"Frame {last.frame}: the camera held no raw file of it."
        )
        yield from delivered.said
    elif ours:
        yield f"Frame {ours[-1].frame}: the shutter was to be fired, but no picture was made."
    elif new:
        yield (
            f"The camera's card holds {plural(len(new), 'file')} that this program did not take; "
            "they stay there."
        )
        delivery.store.know_card_files(camera_key, new)
    for release in ours:
        delivery.store.end(release.id)


def _quiet(_: object) -> None:
    """Report nothing: there is no screen yet."""


def _left_behind(delivery: Delivery) -> Iterator[str]:
    roll = delivery.roll
    parts = [p for p in delivery.archive.incoming(roll).iterdir() if p.suffix == ".part"]
    if parts:
        yield (
            f"{plural(len(parts), 'unfinished file')} from an earlier stop "
            f"{'lies' if len(parts) == 1 else 'lie'} in {delivery.archive.incoming(roll)}; "
            "nothing is missing because of it."
        )
    known = delivery.store.file_names(roll.id) | {"roll.json"}
    strangers = [
        p.name
        for p in delivery.archive.folder(roll).iterdir()
        if p.is_file() and p.name not in known and not p.name.startswith(".")
    ]
    if strangers:
        yield (
            f"{plural(len(strangers), 'file')} in the roll's folder "
            f"{'is' if len(strangers) == 1 else 'are'} not recorded and left alone: "
            f"{', '.join(printable(n, 60) for n in strangers[:3])}"
            f"{' …' if len(strangers) > 3 else ''}."
        )
