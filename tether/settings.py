"""Every number that one could argue with: target, tolerance, limit, unit and source.

The values live in small frozen sections. A person changes them in one TOML file: see
`tether.settings_file`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


def number(default: float, unit: str, source: str, low: float, high: float) -> Any:
    """Declare a number with its unit, its source and the range in which it makes sense."""
    return field(
        default=default, metadata={"unit": unit, "source": source, "low": low, "high": high}
    )


def switch(default: bool, what: str) -> Any:
    """Declare something that is on (true) or off (false), with what it does."""
    return field(default=default, metadata={"what": what})


def word(default: str, what: str, form: str) -> Any:
    """Declare a text with what it is and the form (a regular expression) that it must have."""
    return field(default=default, metadata={"what": what, "form": form})


PRACTICE = "common practice, no published source"

LAMP, STROBE = "lamp", "strobe"
"""The kinds of light: one that shines all the time, and one that flashes."""


@dataclass(frozen=True, slots=True)
class ExposureSettings:
    """Where exposure should lie at the sensor."""

    base_target_ev: float = number(-0.5, "stops from saturation", PRACTICE, -4.0, 0.0)
    base_tolerance_ev: float = number(1 / 3, "stops", PRACTICE, 0.05, 2.0)
    clipped_share: float = number(
        1e-4, "share of a channel's photosites in the picture", PRACTICE, 0.0, 0.1
    )
    from_saturation_ev: float = number(
        -3.0, "stops tried next where the light is saturated, and none can see how far", PRACTICE,
        -6.0, -1.0,
    )  # fmt: skip
    light_changed_ev: float = number(
        0.4, "stops between the rebate and what the roll leads to expect", PRACTICE, 0.1, 3.0
    )
    unsure_ev: float = number(
        3.0, "stops too dark that are only noted where no rebate shows", PRACTICE, 0.5, 8.0
    )
    unsure_many_ev: float = number(
        2.0, "the same where many pictures of the roll agree", "measured on the bench", 0.5, 8.0
    )
    unsure_pictures: float = number(
        6.0, "earlier pictures that count as many", "measured on the simulated bench", 1.0, 12.0
    )
    least_base_density: float = number(
        0.1, "density that a film's base has at the least", "from memory of film data", 0.0, 0.5
    )
    slide_note_ev: float = number(
        1.0, "stops below target from which a transparency's highlights are noted", PRACTICE, 0.2, 8
    )
    slide_look_ev: float = number(
        3.0, "stops below target from which they are to be looked at", PRACTICE, 0.5, 10.0
    )
    slide_settled_ev: float = number(
        5.0, "the same where earlier frames of the roll reached the target", PRACTICE, 0.5, 12.0
    )
    lost_share: float = number(
        0.03, "share of a transparency in the noise that is worth a bracket", PRACTICE, 0.001, 1.0
    )
    bracket_ev: float = number(3.0, "stops of such a bracket", PRACTICE, 0.5, 6.0)


@dataclass(frozen=True, slots=True)
class FramingSettings:
    """How the picture may lie on the sensor before anything is said."""

    rotation_degrees: float = number(1.0, "degrees", PRACTICE, 0.1, 10.0)
    missing_mm: float = number(0.5, "mm of picture cut off on a side", PRACTICE, 0.05, 10.0)
    least_share: float = number(
        0.3, "share of the sensor that the picture should take", PRACTICE, 0.0, 1.0
    )
    between_share: float = number(
        0.25, "of a picture's length cut off, from where it lies between frames", PRACTICE, 0.1, 0.5
    )
    largest_degrees: float = number(
        4.0, "degrees up to which a border is looked for", "tuned on the simulated bench", 1.0, 10.0
    )
    proportion_tolerance: float = number(
        0.05, "of the format's proportions", "cameras' gates differ; no published source", 0.01, 0.2
    )
    rebate_spread_ev: float = number(
        0.8, "stops between the rebate's sides", "tuned on the simulated bench", 0.2, 2.0
    )
    least_score: float = number(
        2.2, "sum of the four borders' visible shares", "tuned on the simulated bench", 1.0, 4.0
    )
    missing_floor_mm: float = number(
        0.1, "mm, finest that is told apart", "tuned on the simulated bench", 0.0, 1.0
    )


@dataclass(frozen=True, slots=True)
class AdvanceSettings:
    """When a picture counts as one that was photographed before."""

    same_correlation: float = number(
        0.96, "correlation of two pictures' detail", "measured on the simulated bench", 0.5, 1.0
    )


@dataclass(frozen=True, slots=True)
class CameraLimits:
    """What the program expects of the camera before it waits no longer."""

    connect_seconds: float = number(20.0, "s", "measured: libgphoto2 start-up", 1.0, 120.0)
    call_seconds: float = number(10.0, "s", "libgphoto2 tracker: slow settings calls", 1.0, 120.0)
    capture_seconds: float = number(
        30.0, "s, added to the shutter time", "libgphoto2 tracker: hangs of half a minute", 2, 300
    )
    transfer_seconds_per_mb: float = number(1.0, "s per megabyte", PRACTICE, 0.05, 30.0)
    quiet_seconds: float = number(
        0.4, "s without an event that ends a capture", "measured on the simulated camera", 0.05, 10
    )
    second_file_seconds: float = number(
        3.0, "s for the second file of one exposure", PRACTICE, 0.1, 60.0
    )
    lost_event_seconds: float = number(
        5.0, "s without news of a picture before the card is searched for it", PRACTICE, 0.2, 120.0
    )
    listing_seconds: float = number(
        60.0, "s for listing all files on the card", "libgphoto2 tracker: slow cards", 1.0, 600.0
    )
    battery_percent: float = number(
        15.0, "per cent below which no capture is started", PRACTICE, 0.0, 100.0
    )


@dataclass(frozen=True, slots=True)
class StorageSettings:
    """What the archive asks of the disk."""

    spare_bytes: float = number(
        500e6, "bytes kept free beyond the frames left", PRACTICE, 0.0, 1e12
    )
    raw_bytes: float = number(
        60e6, "bytes a raw file, before the roll has one to go by", PRACTICE, 1e5, 1e9
    )


@dataclass(frozen=True, slots=True)
class FocusSettings:
    """When a frame counts as soft: by the sharpness of its grain against the roll's reference."""

    soft_ratio: float = number(
        0.4, "sharpness relative to the reference below which a frame is soft", PRACTICE, 0.05, 0.95
    )
    side_ratio: float = number(
        0.4, "sharpness of the softer side relative to the other", PRACTICE, 0.05, 0.95
    )
    drift_ratio: float = number(
        0.7, "sharpness relative to the reference that counts as a drift", PRACTICE, 0.1, 0.98
    )
    darkest_signal: float = number(
        0.03, "signal below which noise hides grain", "measured on the simulated bench", 0.0, 0.5
    )
    least_density: float = number(
        0.1, "density above clear film that has grain to go by", PRACTICE, 0.0, 1.0
    )
    plain_ratio: float = number(
        0.1, "fine over coarser variance from which grain rules", "as above", 0.0, 1.0
    )
    blurred_ratio: float = number(
        0.6, "the same, of the reference's, below which structure is blurred", "as above", 0.1, 5.0
    )
    most_noise: float = number(
        0.8, "noise over grain up to which a cell is judged", "as above", 0.01, 5.0
    )
    electrons: float = number(
        50e3, "electrons at saturation and ISO 100", "usual for 36 x 24 mm sensors", 1e3, 1e6
    )


@dataclass(frozen=True, slots=True)
class PositiveSettings:
    """How positives are printed: one setting for all rolls, the same for every frame of a roll."""

    contrast: float = number(
        1.8,
        "log luminance per unit of a negative's density; 1.3 / 0.8 = 1.63 gives the scene's own",
        "ISO 6 (average gradient 0.8 / 1.3; from memory), a tenth more by common practice",
        0.5,
        4.0,
    )
    mid_density: float = number(
        0.78,
        "density above base that prints as mid-grey",
        "ISO 6: 0.1 + 0.615 log10 12.5 (from memory)",
        0.1,
        2.0,
    )
    evening_slack: float = number(
        0.4, "density by which a frame may be thin or dense before it is evened", PRACTICE, 0.0, 2.0
    )
    evening_limit: float = number(
        0.6, "density by which evening may move a frame at most, 0 for none", PRACTICE, 0.0, 2.0
    )
    black: float = number(
        2.0, "log luminance from mid-grey down to the print's black", PRACTICE, 1.0, 4.0
    )
    bend: float = number(
        0.15, "log luminance over which the print curve bends into white and black", PRACTICE,
        0.02, 0.5,
    )  # fmt: skip
    slide_contrast: float = number(
        1.0, "log luminance per unit of a transparency's density", PRACTICE, 0.5, 2.0
    )
    neutral: float = number(
        0.10, "density by which a colour may differ from grey and count as near grey", PRACTICE,
        0.02, 0.5,
    )  # fmt: skip
    jpeg_quality: float = number(92.0, "JPEG quality of positives", PRACTICE, 50.0, 100.0)


@dataclass(frozen=True, slots=True)
class DustSettings:
    """When dark spots in the same place of successive frames count as dust beside the film."""

    least_depth: float = number(
        0.12, "stops by which a spot is darker than all around", "measured on the bench", 0.01, 2.0
    )
    frames: float = number(3, "frames that have to show a spot, at the least", PRACTICE, 2, 8)
    place: float = number(
        0.004, "widths of the frame within which a spot is the same", PRACTICE, 5e-4, 0.05
    )


@dataclass(frozen=True, slots=True)
class LightSettings:
    """What kind of light it is, and how good it has to be, judged on the open gate."""

    kind: str = word(
        "lamp",
        "the kind of light where the bench does not say it: lamp (it shines all the time) or "
        "strobe",
        r"lamp|strobe",
    )
    uneven_percent: float = number(
        10.0, "per cent from the brightest to the darkest part", PRACTICE, 0.5, 90.0
    )
    flicker_percent: float = number(
        0.5, "per cent amplitude of bands along the sensor's rows", PRACTICE, 0.05, 50.0
    )
    stray_share: float = number(
        0.001, "share of the open gate left with the lamp off (density 3.0)", PRACTICE, 1e-6, 0.5
    )
    balance_ev: float = number(
        0.5, "stops between the lamp's colour and the white balance set", PRACTICE, 0.05, 4.0
    )
    flat_hours: float = number(
        8.0, "hours after which an open gate no longer tells of the light", PRACTICE, 0.1, 1000.0
    )
    drift_ev: float = number(
        0.2, "stops that the base's light may move along a roll", PRACTICE, 0.05, 2.0
    )
    colour_drift_ev: float = number(
        0.1, "stops of red over blue that the lamp may move along a roll", PRACTICE, 0.02, 2.0
    )
    moved_ev: float = number(
        0.25, "stops between the rebate's sides beyond what the open gate shows", PRACTICE, 0.05, 3
    )

    @property
    def strobe(self) -> bool:
        """Whether the light is a strobe: then the shutter time does not set the exposure."""
        return self.kind == STROBE


@dataclass(frozen=True, slots=True)
class SittingSettings:
    """What counts as one stretch of work at the bench."""

    pause_hours: float = number(
        4.0, "hours of pause after which the set-up steps are asked again", PRACTICE, 0.1, 72.0
    )
    recheck_minutes: float = number(
        10.0, "minutes of pause after which light and focus are worth a look", PRACTICE, 1, 600
    )


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """What is heard when a picture has to be shot again, or something went wrong."""

    bell: bool = switch(True, "ring the terminal's bell")
    sound: str = word(
        "",
        "a sound file to play as well, by its whole path; empty for none",
        r"|[/~A-Za-z][^\x00-\x1f\x7f]{0,999}",
    )


@dataclass(frozen=True, slots=True)
class KeySettings:
    """Keys of one's own."""

    forward: str = word(
        "",
        "one more key for what comes next, as a foot switch sends it: pagedown, f8, ctrl+n; "
        "empty for none",
        r"|(ctrl\+|shift\+|alt\+)*[a-z0-9_]{1,24}",
    )


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """How the screen looks."""

    theme: str = word(
        "textual-dark",
        "the colours: contrast, greys (no colour), textual-light, or another that the palette "
        "(Ctrl-P, Theme) lists",
        r"[a-z][a-z0-9-]{0,39}",
    )


@dataclass(frozen=True, slots=True)
class PlanningSettings:
    """What `tether plan` takes for granted where nothing else is said."""

    rebate_mm: float = number(
        1.0, "mm of rebate kept in view on each side of the picture", PRACTICE, 0.0, 20.0
    )
    wavelength_nm: float = number(
        550.0, "nm, green, near the eye's peak (CIE: 555 nm)", "usual in handbooks", 350.0, 1100.0
    )
    blur_pixels: float = number(2.0, "pixels of blur that still pass as sharp", PRACTICE, 0.5, 20.0)
    curl_mm: float = number(
        0.3, "mm by which film in a gate without glass stands off the flat", PRACTICE, 0.0, 10.0
    )
    pause_minutes: float = number(
        15.0, "minutes between two pictures that count as a pause", PRACTICE, 1.0, 240.0
    )
    day_hours: float = number(6.0, "hours at the bench a day", PRACTICE, 0.5, 24.0)


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """How camera and light should stand before the first frame."""

    aperture: float = number(
        8.0, "f-number as marked on the lens, also for `tether plan`",
        PRACTICE + ": macro lenses are sharpest there", 0.7, 64.0,
    )  # fmt: skip
    aperture_ev: float = number(0.4, "stops around it that pass", PRACTICE, 0.0, 3.0)
    lowest_iso: float = number(
        64.0, "ISO speed; lower ones on a camera's list are taken as extended", PRACTICE, 25, 800
    )
    battery_percent: float = number(
        40.0, "per cent of charge to begin a roll with", PRACTICE, 0.0, 100.0
    )
    clock_seconds: float = number(
        60.0, "s between the camera's clock and the computer's", PRACTICE, 1.0, 86_400.0
    )
    gate_target_ev: float = number(
        -1.0, "stops from saturation at which an open gate is measured", PRACTICE, -4.0, -0.2
    )
    gate_tolerance_ev: float = number(0.5, "stops around it that pass", PRACTICE, 0.1, 2.0)
    strobe_gate_ev: float = number(
        -3.0, "stops from saturation down to which a strobe's open gate is kept", PRACTICE, -6, -1
    )
    sync_seconds: float = number(
        1 / 125, "s, shortest shutter time at which a strobe lights the whole frame",
        "from memory: 1/125 to 1/250 is usual; the camera's manual says it", 1 / 1000, 1.0,
    )  # fmt: skip
    corner_share: float = number(
        0.6,
        "of a corner's best live sharpness, below which it is soft while the middle is sharp",
        "tuned on the simulated bench",
        0.1,
        0.95,
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """All sections; the defaults are the program's own advice."""

    exposure: ExposureSettings = field(default_factory=ExposureSettings)
    framing: FramingSettings = field(default_factory=FramingSettings)
    advance: AdvanceSettings = field(default_factory=AdvanceSettings)
    camera: CameraLimits = field(default_factory=CameraLimits)
    storage: StorageSettings = field(default_factory=StorageSettings)
    sittings: SittingSettings = field(default_factory=SittingSettings)
    planning: PlanningSettings = field(default_factory=PlanningSettings)
    focus: FocusSettings = field(default_factory=FocusSettings)
    dust: DustSettings = field(default_factory=DustSettings)
    light: LightSettings = field(default_factory=LightSettings)
    positive: PositiveSettings = field(default_factory=PositiveSettings)
    bench: BenchSettings = field(default_factory=BenchSettings)
    alerts: AlertSettings = field(default_factory=AlertSettings)
    keys: KeySettings = field(default_factory=KeySettings)
    screen: ScreenSettings = field(default_factory=ScreenSettings)
