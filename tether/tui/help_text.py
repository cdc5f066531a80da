"""The longer help: the step at hand, its caution, and what each key does."""

from __future__ import annotations

from rich.text import Text

from tether.session.place import Place

_KEYS = (
    ("Enter", "do what is next: confirm a step, shoot, keep a picture whose verdict is keep"),
    ("F", "fire the shutter (the camera's own button counts as well)"),
    ("K", "keep the picture: it stands for the frame"),
    ("A", "put the picture aside for another take; it stays on disk"),
    ("U", "set the camera's shutter as the verdict advises, for another take"),
    ("V", "see the takes of the frame, and choose the one that stands for it"),
    ("Back", "(backspace) take the last step or choice back"),
    ("S", "skip the frame for good; G goes back to it at any time"),
    ("B  D", "mark the frame as blank, as damaged"),
    ("G", "go to any frame (or click it); N goes on with the next open one"),
    ("T", "write a note about the frame"),
    ("Z", "be asked less, or everything again; the log says what was left out"),
    ("P", "see the positive as large as the terminal; hatched spots are saturated"),
    ("L", "read the log of the roll"),
    ("1", "camera check: compare the camera with what the bench asks for, set it, put it back"),
    ("2", "focus: the live picture as a positive, with the sharpness of middle and corners"),
    ("3", "light test: the open gate measured for evenness, flicker and colour"),
    ("R", "what is left over: pictures on the card and files of no frame; fetch, file or leave"),
    ("E", "add a frame at the end: the film had one more than was counted"),
    ("C", "connect to the camera again"),
    ("Q", "leave; everything is stored, and the next start opens at this place"),
)
_REHEARSAL = (
    ("M", "rehearsal: let something go wrong on the bench, or put it right"),
    ("O", "rehearsal: press the camera's own shutter button"),
)


def help_for(place: Place, rehearsing: bool) -> Text:
    """Return the help for a place."""
    text = Text()
    if place.step is not None:
        text.append(f"{place.step.what}\n\n", "bold")
        text.append(f"Why: {place.step.why}\n\n{place.step.more}\n\n")
        if place.step.caution:
            text.append(f"! Caution: {place.step.caution}\n", "bold yellow")
            text.append(
                "This is the usual caution, not advice for your case: the product's safety sheet, "
                "your local rules and qualified people come first.\n\n"
            )
    else:
        text.append(f"Next: {place.sentence()}\n\n", "bold")
    text.append("Marks: · open  ✓ kept  » skipped  ○ blank  × damaged  ? waits for a choice\n\n")
    text.append(
        "Numbers of a verdict, in stops below saturation, where the sensor can hold no more light: "
        "base is the clear film of a negative (target -0.5, a third either way); highlights is the "
        "lightest thousandth of the picture itself; saturated is the share of the picture that is "
        "lost. A hundredth of a per cent of single spots does no harm.\n\n"
        "The bars of a verdict show how many photosites lie how many stops below saturation, one "
        "row a channel; the right end is saturation.\n\n"
    )
    for key, what in _KEYS + (_REHEARSAL if rehearsing else ()):
        text.append(f"{key:>6}  ", "bold")
        text.append(f"{what}\n")
    return text
