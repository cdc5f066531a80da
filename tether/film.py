"""What a film is: how it was developed, and how its frames lie on the strip."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class FilmProcess(StrEnum):
    """How the film was developed; it decides what base and highlights mean."""

    BW_NEGATIVE = "bw-negative"
    COLOUR_NEGATIVE = "colour-negative"
    TRANSPARENCY = "transparency"

    @property
    def is_negative(self) -> bool:
        """Whether the base is the lightest thing that belongs to the film."""
        return self is not FilmProcess.TRANSPARENCY

    @property
    def label(self) -> str:
        """The words a person uses for it."""
        return {
            FilmProcess.BW_NEGATIVE: "black-and-white negative",
            FilmProcess.COLOUR_NEGATIVE: "colour negative",
            FilmProcess.TRANSPARENCY: "transparency",
        }[self]


@dataclass(frozen=True, slots=True)
class FilmFormat:
    """The geometry of one format, all lengths in millimetres.

    ``picture_along`` is measured along the length of the film, ``picture_across`` across it;
    ``pitch`` is the distance from one frame's start to the next one's.
    """

    key: str
    label: str
    picture_along: float
    picture_across: float
    pitch: float
    film_width: float
    perforated: bool

    @property
    def mounted(self) -> bool:
        """Whether each picture lies in a mount of its own, whose edge is the picture's."""
        return self.key.endswith("-mount")


#: 135: picture 24 x 36 mm (ISO 1754), pitch of 8 perforations of 4.75 mm (ISO 491), film 35 mm
#: wide. A slide mount shows 34.3 x 22.5 mm of it (SMPTE and BKSTS tables of apertures) and is 50 mm
#: wide. 120: 6 x 4.5, 6 x 6 and 6 x 9 as in ISO 1203, film 61.5 mm wide (ISO 732). Common practice,
#: no published source: 6 x 7, 6 x 8, panoramic pictures (of 6 x 12 both 118 and 112 mm are
#: published) and every pitch but that of 135; that of 24 x 65 is not known (14 perforations, 66.5
#: mm, would fit a roll better). A gate that differs by more than the tolerance of
#: `FramingSettings` is not recognised.
FILM_FORMATS: dict[str, FilmFormat] = {
    f.key: f
    for f in (
        FilmFormat("135", "35 mm, 24 x 36", 36.0, 24.0, 38.0, 35.0, True),
        FilmFormat("135-half", "35 mm half frame, 24 x 18", 18.0, 24.0, 19.0, 35.0, True),
        FilmFormat("135-mount", "35 mm slide in its mount", 34.3, 22.5, 50.0, 35.0, False),
        FilmFormat("135-65", "35 mm panoramic, 24 x 65", 65.0, 24.0, 71.25, 35.0, True),
        FilmFormat("120-645", "120, 6 x 4.5", 41.5, 56.0, 46.0, 61.5, False),
        FilmFormat("120-6x6", "120, 6 x 6", 56.0, 56.0, 61.0, 61.5, False),
        FilmFormat("120-6x7", "120, 6 x 7", 69.0, 56.0, 74.0, 61.5, False),
        FilmFormat("120-6x8", "120, 6 x 8", 76.0, 56.0, 82.0, 61.5, False),
        FilmFormat("120-6x9", "120, 6 x 9", 84.0, 56.0, 90.0, 61.5, False),
        FilmFormat("120-6x12", "120, 6 x 12 (112 mm)", 112.0, 56.0, 118.0, 61.5, False),
        FilmFormat("120-6x12-118", "120, 6 x 12 (118 mm)", 118.0, 56.0, 124.0, 61.5, False),
        FilmFormat("120-6x17", "120 panoramic, 6 x 17", 168.0, 56.0, 175.0, 61.5, False),
    )
}
