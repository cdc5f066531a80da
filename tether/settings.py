"""Every number that one could argue with: target, tolerance, limit, unit and source.

The values live in small frozen sections. A person changes them in one TOML file: see
`tether.settings_file`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

PRACTICE = "common practice, no published source"
SIMULATED = "measured on the simulated bench"
TUNED = "tuned on the simulated bench"
UNCHECKED = "not checked against the source"
CAMERAS = "cameras' gates differ; no published source"


def number(default: float, low: float, high: float, unit: str, source: str = PRACTICE) -> Any:
    """Declare a number with the range in which it makes sense, its unit and its source."""
    return field(
        default=default, metadata={"unit": unit, "source": source, "low": low, "high": high}
    )


def switch(default: bool, what: str) -> Any:
    """Declare something that is on (true) or off (false), with what it does."""
    return field(default=default, metadata={"what": what})


def word(default: str, what: str, form: str) -> Any:
    """Declare a text with what it is and the form (a regular expression) that it must have."""
    return field(default=default, metadata={"what": what, "form": form})


# fmt: off
# A line or two for each number.

LAMP, STROBE = "lamp", "strobe"
"""The kinds of light: one that shines all the time, and one that flashes."""


@dataclass(frozen=True, slots=True)
class ExposureSettings:
    """Where exposure should be at the sensor."""

    base_target_ev: float = number(-0.5, -4.0, 0.0,
        "stops from saturation, where a negative's film base should be")
    base_tolerance_ev: float = number(1 / 3, 0.05, 2.0, "stops around it that pass")
    clipped_share: float = number(1e-4, 0.0, 0.1,
        "share of a channel's photosites in the picture that may be clipped")
    from_saturation_ev: float = number(-3.0, -6.0, -1.0,
        "step down after a clipped light test, stops")
    light_changed_ev: float = number(0.4, 0.1, 3.0,
        "difference from the expected rebate that is shown, stops")
    unsure_ev: float = number(3.0, 0.5, 8.0,
        "without rebate: underexposure up to this is only a hint, stops")
    unsure_many_ev: float = number(2.0, 0.5, 8.0,
        "without rebate, when many pictures agree: only a hint up to this, stops", SIMULATED)
    unsure_pictures: float = number(6.0, 1.0, 12.0,
        "earlier pictures that count as many", SIMULATED)
    least_base_density: float = number(0.1, 0.0, 0.5,
        "lowest density that a film base has", UNCHECKED)
    slide_note_ev: float = number(1.0, 0.2, 8,
        "a transparency's highlights: a hint from here below target, stops")
    slide_look_ev: float = number(3.0, 0.5, 10.0,
        "a transparency's highlights: CHECK from here below target, stops")
    slide_settled_ev: float = number(5.0, 0.5, 12.0,
        "as slide_look_ev, once earlier frames of the roll reached the target, stops")
    lost_share: float = number(0.03, 0.001, 1.0,
        "share of a transparency hidden in noise from which a bracket is advised")
    bracket_ev: float = number(3.0, 0.5, 6.0, "stops of light that the advised bracket adds")


@dataclass(frozen=True, slots=True)
class FramingSettings:
    """How the picture may sit on the sensor before the program says so."""

    rotation_degrees: float = number(1.0, 0.1, 10.0,
        "rotation from which a frame counts as askew, degrees")
    missing_mm: float = number(0.5, 0.05, 10.0,
        "mm of picture cut off on one side from which the program says so")
    least_share: float = number(0.3, 0.0, 1.0, "share of the sensor that the picture should fill")
    between_share: float = number(0.25, 0.1, 0.5,
        "share of a picture's length cut off: the film is between two frames")
    largest_degrees: float = number(5.0, 1.0, 10.0,
        "largest rotation of a border that is looked for, degrees", TUNED)
    proportion_tolerance: float = number(0.05, 0.01, 0.2,
        "difference from the format's proportions that passes", CAMERAS)
    rebate_spread_ev: float = number(0.8, 0.2, 2.0,
        "largest difference between the rebates of two sides, stops", TUNED)
    least_score: float = number(2.2, 1.0, 4.0,
        "least sum of the four borders' visible shares", TUNED)
    missing_floor_mm: float = number(0.1, 0.0, 1.0,
        "smallest difference in position that counts, mm", TUNED)


@dataclass(frozen=True, slots=True)
class AdvanceSettings:
    """When a picture counts as one that was photographed before."""

    same_correlation: float = number(0.96, 0.5, 1.0,
        "correlation of detail from which two pictures are the same", SIMULATED)


@dataclass(frozen=True, slots=True)
class CameraLimits:
    """How long the program waits for the camera, and how much battery it needs."""

    connect_seconds: float = number(20.0, 1.0, 120.0,
        "s for connecting", "measured: libgphoto2 start-up")
    call_seconds: float = number(10.0, 1.0, 120.0,
        "s for one call", "libgphoto2 tracker: slow settings calls")
    capture_seconds: float = number(30.0, 2, 300,
        "s for a capture, beside the shutter time", "libgphoto2 tracker: hangs of half a minute")
    hang_seconds: float = number(15.0, 3.0, 120.0,
        "s of silence beyond the exposure after which a hanging driver is ended")
    transfer_seconds_per_mb: float = number(1.0, 0.05, 30.0, "s per megabyte for copying a file")
    quiet_seconds: float = number(0.4, 0.05, 10,
        "s without an event that end a capture", "measured on the simulated camera")
    second_file_seconds: float = number(3.0, 0.1, 60.0,
        "s to wait for the second file of one exposure")
    lost_event_seconds: float = number(5.0, 0.2, 120.0,
        "s without news of a picture before its card is searched")
    listing_seconds: float = number(60.0, 1.0, 600.0,
        "s for listing all files on the card", "libgphoto2 tracker: slow cards")
    battery_percent: float = number(15.0, 0.0, 100.0,
        "battery charge below which no capture is started, %")


@dataclass(frozen=True, slots=True)
class StorageSettings:
    """What the archive needs of the disk."""

    spare_bytes: float = number(500e6, 0.0, 1e12, "bytes to keep free beyond the frames left")
    raw_bytes: float = number(60e6, 1e5, 1e9,
        "bytes per raw file, before the roll has one to go by")


@dataclass(frozen=True, slots=True)
class FocusSettings:
    """When a frame counts as out of focus: its grain against the roll's reference."""

    soft_ratio: float = number(0.4, 0.05, 0.95,
        "share of the reference's sharpness below which a frame is out of focus")
    side_ratio: float = number(0.4, 0.05, 0.95,
        "sharpness of the softer side as a share of the other side's")
    drift_ratio: float = number(0.7, 0.1, 0.98,
        "share of the reference's sharpness below which focus is drifting")
    darkest_signal: float = number(0.03, 0.0, 0.5,
        "signal below which noise hides grain", SIMULATED)
    least_density: float = number(0.1, 0.0, 1.0,
        "density above clear film that shows enough grain to judge")
    plain_ratio: float = number(0.1, 0.0, 1.0,
        "fine over coarser variance from which grain dominates", SIMULATED)
    blurred_ratio: float = number(0.6, 0.1, 5.0,
        "fine over coarser variance, as a share of the reference's: blur", SIMULATED)
    most_noise: float = number(0.8, 0.01, 5.0,
        "noise over grain up to which a cell is judged", SIMULATED)
    electrons: float = number(50e3, 1e3, 1e6,
        "electrons at saturation and ISO 100", "usual for 36 x 24 mm sensors")


@dataclass(frozen=True, slots=True)
class PositiveSettings:
    """How positives are made: one setting for all rolls, the same for every frame of a roll."""

    contrast: float = number(1.8, 0.5, 4.0,
        "log luminance per unit of a negative's density; 1.3 / 0.8 = 1.63 gives the scene's own",
        "ISO 6 (gradient 0.8 / 1.3; not checked against the source), a tenth more by practice")
    soft_contrast: float = number(1.35, 0.5, 4.0, "contrast of positives that are made softer")
    hard_contrast: float = number(2.5, 0.5, 4.0, "contrast of positives that are made harder")
    mid_density: float = number(0.78, 0.1, 2.0,
        "density above film base that becomes mid-grey",
        "ISO 6: 0.1 + 0.615 log10 12.5 (not checked against the source)")
    evening_slack: float = number(0.4, 0.0, 2.0,
        "density by which a frame may be thin or dense before it is evened")
    evening_limit: float = number(0.6, 0.0, 2.0,
        "density by which evening may move a frame at most, 0 for none")
    black: float = number(2.0, 1.0, 4.0, "log luminance from mid-grey down to black")
    bend: float = number(0.15, 0.02, 0.5,
        "log luminance over which the curve bends into white and black")
    slide_contrast: float = number(1.0, 0.5, 2.0,
        "log luminance per unit of a transparency's density")
    neutral: float = number(0.10, 0.02, 0.5,
        "density by which a colour may differ from grey and count as near grey")
    jpeg_quality: float = number(92.0, 50.0, 100.0, "JPEG quality of positives")


@dataclass(frozen=True, slots=True)
class RawPositiveSettings:
    """Raw positives: a DNG of each kept frame that opens as a positive in raw processors."""

    make: bool = switch(False, "make them with every delivery")
    form: str = word("auto",
        "their form: camera, computed, demosaiced, or auto (computed for colour negatives, else "
        "camera)",
        r"auto|camera|computed|demosaiced")
    contrasts: str = word("chosen",
        "which contrasts of a negative they are made in: chosen (the frame's) or all (soft, normal "
        "and hard too)", r"chosen|all")
    room: float = number(0.02, 0.0, 0.2,
        "room that the crop leaves around the picture, in picture widths")
    headroom_ev: float = number(0.0, 0.0, 4.0,
        "stops over the print's white that they hold; programs that ignore BaselineExposure "
        "show them darker by as much")


_LINE = r"[^\x00-\x1f\x7f]{0,300}"


@dataclass(frozen=True, slots=True)
class DeliverySettings:
    """What leaves the house: names of files, and who hands them over."""

    sidecar: str = word("stem",
        "name of a sidecar, as your other programs look for it: stem (NAME.xmp) or whole "
        "(NAME.dng.xmp)", r"stem|whole")
    organisation: str = word("", "who hands pictures over, for clients and packages", _LINE)
    contact: str = word("", "the person to ask", _LINE)
    email: str = word("", "mail address of that person", _LINE)
    phone: str = word("", "telephone number of that person", _LINE)
    order: str = word("", "how a client orders prints or files, in a sentence", _LINE)
    size: float = number(1600.0, 200.0, 20_000.0,
        "longest side of a picture for mail and screen, pixels")
    names: str = word("{roll} {frame:03}",
        "names of a client's pictures; {roll}, {frame}, {caption}, {date}", _LINE)


@dataclass(frozen=True, slots=True)
class DustSettings:
    """When dark spots in the same place of successive frames count as dust, not on the film."""

    least_depth: float = number(0.12, 0.01, 2.0,
        "stops by which a spot is darker than all around it", SIMULATED)
    frames: float = number(3, 2, 8, "frames in a row that must show a spot")
    place: float = number(0.004, 5e-4, 0.05,
        "distance within which a spot is in the same place, in frame widths")


@dataclass(frozen=True, slots=True)
class SpeckSettings:
    """When a frame has dust on its film."""

    least_depth: float = number(0.15, 0.02, 2.0,
        "stops by which a speck is darker than its surroundings", TUNED)
    from_clear_ev: float = number(0.5, 0.0, 3.0,
        "stops by which a negative has to be darker than clear film around a speck", TUNED)
    hint: float = number(6, 1, 300, "specks on a frame from which they are a hint", TUNED)
    check: float = number(12, 1, 300, "specks from which they may be a CHECK", TUNED)
    times_usual: float = number(4.0, 1.0, 100.0,
        "times as many specks as the roll's frames usually have: then it is CHECK", TUNED)


@dataclass(frozen=True, slots=True)
class RoomLightSettings:
    """When light of the room on the film is told, by what should be black around the picture."""

    share: float = number(0.01, 0.001, 0.5,
        "light on the mask around the gate, as a share of the film base's: CHECK from here",
        TUNED)
    reshoot_share: float = number(0.04, 0.001, 0.5,
        "the same: RESHOOT from here, where a density of 1.4 and more is lost",
        TUNED)


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Which detectors search each frame. The verdict names those that are switched off."""

    exposure: bool = switch(True, "film base, highlights and shadows against their targets")
    framing: bool = switch(True, "a picture that is cut off, askew or small on the sensor")
    wrong_side: bool = switch(True, "the shiny side toward the lens, by the film's edge")
    frame_number: bool = switch(True, "the frame number on the film's edge")
    same_picture: bool = switch(True, "film that was not moved on")
    blank: bool = switch(True, "frames without a picture, and a gate without film")
    focus: bool = switch(True, "grain that is soft, on a side or everywhere, or grows softer")
    dust_on_glass: bool = switch(True, "dust that stays in its place while the film moves")
    dust_on_film: bool = switch(True, "specks of dust on the film of one frame")
    light: bool = switch(True, "a lamp that changes, flickers or has moved; an uneven open gate")
    room_light: bool = switch(True, "light of the room on the film")


@dataclass(frozen=True, slots=True)
class LightSettings:
    """The kind of light, and how good it must be, measured on the open gate."""

    kind: str = word(
        "lamp",
        "the kind of light, unless the bench has one: lamp (continuous) or strobe",
        r"lamp|strobe",
    )
    uneven_percent: float = number(10.0, 0.5, 90.0,
        "difference from the brightest to the darkest part that passes, %")
    flicker_percent: float = number(0.5, 0.05, 50.0,
        "amplitude of bands along the sensor's rows that passes, %")
    stray_share: float = number(0.001, 1e-6, 0.5,
        "stray light that passes, as a share of the open gate (density 3.0)")
    flat_stray_share: float = number(0.02, 1e-4, 0.5,
        "stray light beyond which an open gate is not kept as flat field, as a share of it")
    balance_ev: float = number(0.5, 0.05, 4.0,
        "stops between the lamp's colour and the camera's white balance")
    flat_hours: float = number(8.0, 0.1, 1000.0,
        "hours after which the light test should be repeated")
    drift_ev: float = number(0.2, 0.05, 2.0, "stops by which the light may drift along a roll")
    colour_drift_ev: float = number(0.1, 0.02, 2.0,
        "stops of red over blue by which the lamp may drift along a roll")
    moved_ev: float = number(0.25, 0.05, 3,
        "stops between two sides of the rebate, beyond the open gate's own")

    @property
    def strobe(self) -> bool:
        """Whether the light is a strobe: then the shutter time does not set the exposure."""
        return self.kind == STROBE


@dataclass(frozen=True, slots=True)
class SittingSettings:
    """What counts as one session at the bench."""

    pause_hours: float = number(4.0, 0.1, 72.0,
        "hours without work after which the set-up steps come up again")
    recheck_minutes: float = number(10.0, 1, 600,
        "minutes of pause after which light and focus need a check")
    break_minutes: float = number(60.0, 0, 600,
        "minutes of work after which the program reminds you of a break; 0 for never")
    rest_minutes: float = number(5.0, 1, 60,
        "minutes without a key or a picture that count as a break")


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """The sounds at a picture to reshoot, and when something went wrong."""

    bell: bool = switch(True, "ring the terminal's bell")
    sound: str = word(
        "",
        "a sound file to play as well, by its whole path; empty for none",
        r"|[/~A-Za-z][^\x00-\x1f\x7f]{0,999}",
    )


@dataclass(frozen=True, slots=True)
class HandsFreeSettings:
    """When film that comes to rest is shot without a key."""

    settle_seconds: float = number(0.3, 0.1, 5.0,
        "seconds for which the film rests before the shutter is released")
    placement_mm: float = number(3.0, 0.5, 15.0,
        "mm by which a frame may be off, counted from the one before")
    insist_seconds: float = number(3.0, 1.0, 60.0,
        "seconds of rest after which a frame that is off is shot")
    keep_check: bool = switch(False, "keep a picture with CHECK without asking")
    by_itself: bool = switch(False, "begin as soon as the set-up is done, as --hands-free does")


@dataclass(frozen=True, slots=True)
class KeySettings:
    """Keys of your own, by the ids in the [list of keys](keys.md)."""

    by_id: tuple[tuple[str, str], ...] = field(
        default=(),
        metadata={
            "what": "a key, or several with commas between them: k, f8, ctrl+n, pagedown",
            "form": r"|[^\s,]{1,40}(, ?[^\s,]{1,40}){0,5}",
        },
    )


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """How the screen looks."""

    theme: str = word(
        "textual-dark",
        "the colours: contrast, greys (no colour), textual-light, or any other that Theme in "
        "the command palette lists",
        r"[a-z][a-z0-9-]{0,39}",
    )


@dataclass(frozen=True, slots=True)
class PlanningSettings:
    """What `tether plan` assumes unless you say otherwise."""

    rebate_mm: float = number(1.0, 0.0, 20.0,
        "mm of rebate kept in view on each side of the picture")
    wavelength_nm: float = number(550.0, 350.0, 1100.0,
        "nm, green, near the eye's peak (CIE: 555 nm)", "usual in handbooks")
    blur_pixels: float = number(2.0, 0.5, 20.0, "pixels of blur that still pass as sharp")
    curl_mm: float = number(0.3, 0.0, 10.0, "mm by which film in a gate without glass curls")
    pause_minutes: float = number(15.0, 1.0, 240.0,
        "minutes between two pictures that count as a pause")
    day_hours: float = number(6.0, 0.5, 24.0, "hours per day at the bench")


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """How camera and light should be set before the first frame."""

    aperture: float = number(8.0, 0.7, 64.0,
        "f-number as marked on the lens, also for `tether plan`",
        PRACTICE + ": macro lenses are sharpest there")
    aperture_ev: float = number(0.4, 0.0, 3.0, "stops around the aperture that pass")
    lowest_iso: float = number(64.0, 25, 800,
        "ISO speed; lower ones on a camera's list are taken as extended")
    battery_percent: float = number(40.0, 0.0, 100.0,
        "battery charge with which a roll may begin, %")
    clock_seconds: float = number(60.0, 1.0, 86_400.0,
        "s between the camera's clock and the computer's that pass")
    gate_target_ev: float = number(-1.0, -4.0, -0.2,
        "stops from saturation at which an open gate is measured")
    gate_tolerance_ev: float = number(0.5, 0.1, 2.0, "stops around gate_target_ev that pass")
    strobe_gate_ev: float = number(-3.0, -6, -1,
        "stops from saturation down to which a strobe's open gate is kept")
    sync_seconds: float = number(1 / 125, 1 / 1000, 1.0,
        "shortest shutter time at which a strobe lights the whole frame, s",
        "not checked against a source: 1/125 to 1/250 is usual; the camera's manual has it")
    corner_share: float = number(0.6, 0.1, 0.95,
        "share of its best sharpness below which a corner is soft, middle sharp", TUNED)


# fmt: on
@dataclass(frozen=True, slots=True)
class Settings:
    """All sections; the defaults are the program's own advice."""

    exposure: ExposureSettings = field(default_factory=ExposureSettings)
    framing: FramingSettings = field(default_factory=FramingSettings)
    advance: AdvanceSettings = field(default_factory=AdvanceSettings)
    camera: CameraLimits = field(default_factory=CameraLimits)
    storage: StorageSettings = field(default_factory=StorageSettings)
    sittings: SittingSettings = field(default_factory=SittingSettings)
    hands_free: HandsFreeSettings = field(default_factory=HandsFreeSettings)
    planning: PlanningSettings = field(default_factory=PlanningSettings)
    focus: FocusSettings = field(default_factory=FocusSettings)
    dust: DustSettings = field(default_factory=DustSettings)
    specks: SpeckSettings = field(default_factory=SpeckSettings)
    light: LightSettings = field(default_factory=LightSettings)
    room_light: RoomLightSettings = field(default_factory=RoomLightSettings)
    detectors: DetectorSettings = field(default_factory=DetectorSettings)
    positive: PositiveSettings = field(default_factory=PositiveSettings)
    raw_positive: RawPositiveSettings = field(default_factory=RawPositiveSettings)
    delivery: DeliverySettings = field(default_factory=DeliverySettings)
    bench: BenchSettings = field(default_factory=BenchSettings)
    alerts: AlertSettings = field(default_factory=AlertSettings)
    keys: KeySettings = field(default_factory=KeySettings)
    screen: ScreenSettings = field(default_factory=ScreenSettings)
