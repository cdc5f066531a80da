"""The raw positives of a delivery: which have to be made, and what each one is made by."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from tether.delivery.folder import ChosenFile, DeliveryResult, DeliveryState
from tether.delivery.labels import raw_positive_labels
from tether.delivery.plan import Task, digest_of, made_before, renderings
from tether.delivery.xmp import without_version
from tether.film import FilmProcess
from tether.positive.flat_field import FlatField
from tether.positive.raw_positive.dng import Form
from tether.positive.raw_positive.make import RawPositiveJob
from tether.positive.raw_positive.tables import light_of_samples
from tether.positive.rendering import Rendering
from tether.settings import PositiveSettings, RawPositiveSettings

_MADE_AS = "raw positive 1"
"""Becomes another when the same rendering begins to give another file."""

NAMED_CONTRASTS = ("soft", "normal", "hard")
"""The contrasts that are the same for every frame."""

_SLIGHTLY_STOPS = 0.1
"""Stops over white that nobody misses."""


def form_for(process: FilmProcess, settings: RawPositiveSettings) -> Form:
    """Return what raw positives of a film hold.

    One table cannot balance a colour negative: its layers differ in base and in slope.
    """
    if settings.form != "auto":
        return Form(settings.form)
    return Form.COMPUTED if process is FilmProcess.COLOUR_NEGATIVE else Form.CAMERA


def raw_renderings(
    state: DeliveryState,
    chosen: Mapping[str, Rendering],
    flat: FlatField | None,
    settings: PositiveSettings,
    raw: RawPositiveSettings,
) -> dict[str, Mapping[str, Rendering]]:
    """Return the renderings that raw positives are made by, for each contrast by file name.

    Under "" are those that were chosen.
    """
    found: dict[str, Mapping[str, Rendering]] = {"": chosen}
    if raw.contrasts == "all" and state.roll.process.is_negative:
        for contrast in NAMED_CONTRASTS:
            by_name = renderings(state, settings, flat, half=False, contrast=contrast)
            found[contrast] = {
                file.capture.file_name: by_name[file.capture.file_name]
                for file in state.files
                if file.capture.file_name in by_name
                and state.choice(file.frame.number).contrast != contrast
            }
    return found


def raw_positives_to_make(
    state: DeliveryState,
    by_contrast: Mapping[str, Mapping[str, Rendering]],
    settings: RawPositiveSettings,
) -> tuple[list[Task[RawPositiveJob]], int]:
    """Return the raw positives that are to be made, and how many are there already."""
    tasks, there = [], 0
    form = form_for(state.roll.process, settings)
    for file in state.files:
        for contrast, by_name in by_contrast.items():
            rendering = by_name.get(file.capture.file_name)
            if rendering is None:
                continue
            job = _job(state, file, rendering, contrast, form, settings)
            digest = replace(rendering, half=False).digest(
                _MADE_AS, file.capture.sha256, digest_of(file.flat),
                without_version(job.labels.xmp), form.value, repr((job.headroom_ev, job.room)),
            )  # fmt: skip
            if made_before(state.folder, state.record.raw_positives.get(job.output.name), digest):
                there += 1
            else:
                tasks.append(Task(file, job, digest))
    return tasks, there


def _job(
    state: DeliveryState,
    file: ChosenFile,
    rendering: Rendering,
    contrast: str,
    form: Form,
    settings: RawPositiveSettings,
) -> RawPositiveJob:
    return RawPositiveJob(
        path=file.path,
        rendering=rendering,
        flat=file.flat,
        labels=raw_positive_labels(state, file, rendering, form.value),
        output=state.folder.raw_positive(file.capture.file_name, contrast),
        form=form,
        headroom_ev=settings.headroom_ev,
        room=settings.room,
    )


def note_clipped(
    state: DeliveryState,
    by_name: Mapping[str, Rendering],
    settings: RawPositiveSettings,
    result: DeliveryResult,
) -> None:
    """Say in the result which frames have lights that their raw positives do not hold.

    The positives bend such lights into their white. A raw positive is straight, so it ends there.
    """
    over = {}
    for file in state.files:
        rendering = by_name.get(file.capture.file_name)
        if rendering is None or file.sample is None or not rendering.process.is_negative:
            continue
        light = light_of_samples(rendering, file.sample.signals)
        stops = math.log2(light) - settings.headroom_ev if light > 0 else 0.0
        if stops > _SLIGHTLY_STOPS:
            over[file.frame.number] = stops
    if over:
        enough = math.ceil(10 * (settings.headroom_ev + max(over.values()))) / 10
        several = len(over) > 1
        result.notes.append(
            f"The brightest parts of frame{'s' * several} {', '.join(map(str, over))} are over the "
            f"white of {'their raw positives' if several else 'its raw positive'}. "
            f"headroom_ev = {enough:g} in [raw_positive] of the settings keeps them."
        )
