"""The bench as a whole: exposure, densities, mishaps, edge print."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
import zxingcpp
from numpy.typing import NDArray
from PIL import Image
from tether_simulator.bench import BenchConfig, CopyStand
from tether_simulator.film.edges import film_edge_code
from tether_simulator.imaging.exposure import REFERENCE, CameraExposure
from tether_simulator.imaging.lamp import LampConfig
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.mishaps import MISHAPS

from tether.film import FILM_FORMATS, FilmProcess

SMALL = SensorConfig(width=384, height=256)
QUIET = SensorConfig(width=384, height=256, noise=False)
MIDDLE = np.s_[100:156, 150:234]
SETTING = CameraExposure(1 / 20, 8.0, 100.0)

EDGE = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DXFilmEdge)


def bench(frame: int | None = 2, **config: Any) -> CopyStand:
    made = CopyStand(BenchConfig(**{"sensor": QUIET, **config}))
    if frame is not None:
        made.hand.go_to(frame)
    return made


def signal(made: CopyStand, exposure: CameraExposure) -> NDArray[np.float64]:
    return made.mosaic(exposure).astype(np.float64) - made.config.sensor.black


def plane(mosaic: NDArray[np.float64], channel: str = "G") -> NDArray[np.float64]:
    return {"R": mosaic[0::2, 0::2], "G": mosaic[0::2, 1::2], "B": mosaic[1::2, 1::2]}[channel]


@pytest.mark.parametrize(
    ("exposure", "stops"),
    [
        (CameraExposure(1 / 60, 8.0, 100.0), 0.0),
        (CameraExposure(1 / 120, 8.0, 100.0), -1.0),
        (CameraExposure(1 / 60, 8.0 * 2**0.5, 100.0), -1.0),
        (CameraExposure(1 / 60, 8.0, 50.0), -1.0),
        (CameraExposure(1 / 120, 8.0, 400.0), 1.0),
        (CameraExposure(1 / 30, 8.0 * 2, 100.0), -1.0),
    ],
)
def test_exposure_in_stops(exposure: CameraExposure, stops: float) -> None:
    # H is proportional to t / N² (ISO 12232); raw values to the ISO setting.
    made = bench(None)
    start = signal(made, CameraExposure(1 / 60, 8.0, 100.0))[MIDDLE].mean()
    now = signal(made, exposure)[MIDDLE].mean()
    # The aperture moves the lens's own falloff a little: hundredths of a stop, off the middle.
    assert np.log2(now / start) == pytest.approx(stops, abs=0.02)
    assert exposure.stops + 2 == pytest.approx(stops, abs=1e-9)


def test_bare_light_saturates_a_little_at_the_reference_and_base_lies_near() -> None:
    made = bench(None)
    assert np.all(plane(signal(made, REFERENCE))[50:78, 75:117] == 16_200 - 512)
    made.hand.go_to(2)
    made.hand.mishap("blank")
    base = plane(signal(made, REFERENCE))[50:78, 75:117].mean() / (16_200 - 512)
    assert -0.7 < np.log2(base) < -0.1


def test_the_lamp_off_leaves_the_dark_level() -> None:
    made = bench()
    made.hand.lamp(False)
    assert np.all(signal(made, REFERENCE) == 0)


def test_densities_of_the_step_tablet_read_back() -> None:
    # ISO 5-1: D = -log10(film / open gate). One exposure cannot hold 3 densities without the
    # steps of the converter showing, so the open gate is measured at a sixteenth of the time and
    # light steps at that time too: H is proportional to t.
    sensor = SensorConfig(width=768, height=512, noise=False)
    made = bench(None, sensor=sensor, target="step-tablet")
    short, long = CameraExposure(1 / 64, 8.0, 100.0), CameraExposure(16 / 64, 8.0, 100.0)
    open_gate = signal(made, short)
    made.hand.go_to(1)
    light, dark = signal(made, short), signal(made, long) / 16
    boxes = made.patch_boxes()
    assert len(boxes) == 21
    for patch, (x0, y0, x1, y1) in boxes:
        box = np.s_[y0 // 2 * 2 : y1 // 2 * 2, x0 // 2 * 2 : x1 // 2 * 2]
        film = light if patch.density < 1.2 else dark
        for channel in "RGB":
            through, bare = plane(film[box], channel), plane(open_gate[box], channel)
            density = -np.log10(through.mean() / bare.mean())
            assert density == pytest.approx(patch.density, abs=0.005)


@pytest.mark.parametrize("process", list(FilmProcess))
def test_blank_film_has_its_base_density_in_each_channel(process: FilmProcess) -> None:
    made = bench(None, process=process)
    exposure = CameraExposure(1 / 64, 8.0, 100.0)
    open_gate = signal(made, exposure)
    made.hand.go_to(2)
    made.hand.mishap("blank")
    film = signal(made, CameraExposure(4.0, 8.0, 100.0) if not process.is_negative else exposure)
    times = 1.0 if process.is_negative else 256.0
    expected = {
        FilmProcess.BW_NEGATIVE: (0.28, 0.28, 0.28),
        FilmProcess.COLOUR_NEGATIVE: (0.24, 0.62, 0.90),
        FilmProcess.TRANSPARENCY: (3.42, 3.50, 3.58),
    }[process]
    for channel, density in zip("RGB", expected, strict=True):
        # Not in the outermost rows: there the mask begins. The mean of grain is in density.
        seen, bare = (plane(m, channel)[20:108, 30:162] for m in (film, open_gate))
        measured = -np.log10(np.maximum(seen, 0.5) / times / bare)
        assert measured.mean() == pytest.approx(density, abs=0.01)


def test_same_steps_same_bytes_but_no_two_exposures_alike() -> None:
    shots = []
    for _ in range(2):
        made = bench(sensor=SMALL)
        shots.append([made.expose(SETTING), made.expose(SETTING)])
    assert shots[0] == shots[1]
    assert shots[0][0].raw != shots[0][1].raw


def test_grain_stays_with_the_film() -> None:
    # Without sensor noise two exposures are equal: all that is left is film.
    made = bench()
    assert np.array_equal(made.mosaic(SETTING), made.mosaic(SETTING))


def test_every_frame_and_every_seed_shows_another_picture() -> None:
    seen = [bench(frame).mosaic(SETTING)[MIDDLE].astype(int) for frame in (1, 2, 3)]
    seen.append(bench(1, seed=2).mosaic(SETTING)[MIDDLE].astype(int))
    for index, one in enumerate(seen):
        for other in seen[index + 1 :]:
            assert np.abs(one - other).mean() > 100


def test_emulsion_to_the_lens_is_mirrored() -> None:
    made = bench(placement_mm=0.0, placement_degrees=0.0)
    exposure = CameraExposure(1 / 64, 8.0, 100.0)
    right = plane(signal(made, exposure), "G")
    made.hand.mishap("wrong-side")
    wrong = plane(signal(made, exposure), "G")
    # Green sites lie one photosite off after the turn: compare means of 4 x 4.
    planes = (right, wrong, wrong[:, ::-1])
    small = [m.reshape(32, 4, 48, 4).mean(axis=(1, 3)).ravel() for m in planes]
    assert np.corrcoef(small[0], small[1])[0, 1] < 0.9
    assert np.corrcoef(small[0], small[2])[0, 1] > 0.97


def test_film_that_slipped_lies_three_millimetres_off() -> None:
    made = bench(placement_mm=0.0, placement_degrees=0.0)
    assert made.film_map().to_sensor(0, 0) == pytest.approx((192, 128))
    made.hand.mishap("slipped")
    made.hand.go_to(3)
    x, y = made.film_map().to_sensor(0, 0)
    assert abs(x - 192) / made.view.scale == pytest.approx(3.0)
    assert y == pytest.approx(128)


@pytest.mark.parametrize("code", [mishap.code for mishap in MISHAPS])
def test_every_mishap_shows_and_can_be_put_right(code: str) -> None:
    exposure = CameraExposure(1 / 320, 2.8, 250.0)
    made, good = bench(2, seed=3), bench(3, seed=3)
    made.hand.mishap(code)
    made.hand.go_to(3)
    if code not in made.hand.active and code not in ("not-advanced", "slipped", "half-way"):
        made.hand.mishap(code)
    spoilt, fine = signal(made, exposure), signal(good, exposure)
    assert np.abs(spoilt - fine).max() > 200
    made.hand.clear()
    made.hand.go_to(3)
    assert np.array_equal(signal(made, exposure), fine)


def test_out_of_focus_pictures_have_softer_edges() -> None:
    # The border of the picture against its rebate is an edge in every frame.
    made = bench(sensor=SensorConfig(width=768, height=512, noise=False))

    edges = [round(made.film_map().to_sensor(u, 0)[0] / 2) for u in (18, -18)]

    def steepness() -> NDArray[np.float64]:
        step = np.abs(np.diff(plane(signal(made, SETTING))[100:156].mean(axis=0)))
        return np.array([step[edge - 5 : edge + 5].max() for edge in edges])

    sharp = steepness()
    made.hand.mishap("out-of-focus")
    assert np.all(steepness() < 0.6 * sharp)
    made.hand.put_right("out-of-focus")
    made.hand.mishap("one-side-soft")
    left, right = steepness() / sharp
    assert left > 0.9
    assert right < 0.6


def test_room_light_comes_past_the_film() -> None:
    made = bench()
    made.hand.mishap("room-light")
    made.hand.lamp(False)
    stray = signal(made, REFERENCE)
    made.hand.remove_film()
    assert np.array_equal(stray, signal(made, REFERENCE))
    expected = 0.03 * 1.5 * (16_200 - 512)
    assert plane(stray)[64, 96] == pytest.approx(expected, rel=0.02)


def test_flicker_makes_bands_along_the_rows_at_short_times_only() -> None:
    made = bench(None, lamp=LampConfig(flicker=0.2))
    rows = plane(signal(made, CameraExposure(1 / 400, 8.0, 400.0)))[20:108, 90:100].mean(axis=1)
    assert np.ptp(rows) / rows.mean() > 0.2
    rows = plane(signal(made, CameraExposure(0.04, 8.0, 100.0)))[20:108, 90:100].mean(axis=1)
    assert np.ptp(rows) / rows.mean() < 0.1


@pytest.mark.parametrize("key", sorted(FILM_FORMATS))
def test_a_picture_of_any_format_lies_whole_within_the_gate(key: str) -> None:
    form = FILM_FORMATS[key]
    made = bench(film_format=form, placement_mm=0.0, placement_degrees=0.0)
    corners = [
        made.film_map().to_sensor(u * form.picture_along / 2, v * form.picture_across / 2)
        for u in (-1, 1)
        for v in (-1, 1)
    ]
    bare = bench(None, film_format=form).mosaic(REFERENCE)
    for x, y in corners:
        assert 4 < x < 380
        assert 4 < y < 252
        assert bare[int(y), int(x)] > 10_000 * 0.58
    # The mask round the gate is opaque.
    assert bare[0, 0] == 512


def test_a_tight_crop_shows_no_rebate() -> None:
    tight = bench(framing="tight", frame_faults=((2, "over"),))
    dense = plane(signal(tight, CameraExposure(1 / 64, 8.0, 100.0)))
    corners = [tight.film_map().to_sensor(u, v) for u in (-18, 18) for v in (-12, 12)]
    assert all(not (0 <= x < 384 and 0 <= y < 256) for x, y in corners)
    assert dense.max() < 0.5 * 10**-0.28 * 1.5 * 15 / 64 * 15_688 * 2


def read_edge(mosaic: NDArray[np.float64]) -> list[tuple[str, int, float]]:
    """Text, orientation in degrees, and place across of every bar code on the film's edge."""
    grey = np.clip(plane(mosaic) / 15_688, 0, 1) * 255
    strip = np.ascontiguousarray(grey[-grey.shape[0] // 8 :]).astype(np.uint8)
    found = zxingcpp.read_barcodes(strip, formats=EDGE)
    return sorted((code.text, code.orientation, code.position.top_left.x) for code in found)


def test_zxing_reads_the_frame_from_the_edge_and_sees_it_mirrored() -> None:
    made = bench(
        4,
        framing="wide",
        edge_print=True,
        placement_degrees=0.0,
        sensor=SensorConfig(width=2000, height=1332),
    )
    exposure = CameraExposure(1 / 30, 8.0, 100.0)
    mirrored = read_edge(signal(made, exposure))
    made.hand.mishap("wrong-side")
    right = read_edge(signal(made, exposure))
    assert [text for text, _, _ in right] == ["33-7/4", "33-7/4A"]
    assert {turn % 360 for _, turn, _ in right} == {0}
    assert right[0][2] < right[1][2]
    # Mirrored, the tracks lie as they did (clock above data) and the code runs backward.
    assert mirrored
    assert all(turn % 360 == 180 for _, turn, _ in mirrored)


@pytest.mark.parametrize("frame", [0, 11, 36])
@pytest.mark.parametrize("half", [False, True])
def test_the_edge_code_is_the_one_that_zxing_writes(frame: int, half: bool) -> None:
    text = f"115-10/{frame}{'A' if half else ''}"
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DXFilmEdge)
    symbol = np.array(code.to_image(scale=1)) < 128
    clock, data = film_edge_code(115, 10, frame, half)
    assert np.array_equal(symbol[0, 1:-1], clock)
    assert np.array_equal(symbol[-1, 1:-1], data)


def test_live_view_shows_what_the_sensor_sees() -> None:
    made = bench(sensor=SMALL)
    whole = Image.open(io.BytesIO(made.live_view(SETTING)))
    assert whole.size == (640, 427)
    shot = Image.open(io.BytesIO(made.expose(SETTING).jpeg)).resize(whole.size)
    one, two = (np.asarray(image.convert("L"), float).ravel() for image in (whole, shot))
    assert np.corrcoef(one, two)[0, 1] > 0.99
    # The upper left quarter, magnified twice.
    part = Image.open(io.BytesIO(made.live_view(SETTING, zoom=2, centre=(0.0, 0.0))))
    quarter = shot.crop((0, 0, 320, 213)).resize(part.size)
    one, two = (np.asarray(image.convert("L"), float).ravel() for image in (part, quarter))
    assert np.corrcoef(one, two)[0, 1] > 0.97


def test_a_dimmer_setting_makes_a_dimmer_live_view() -> None:
    made = bench(sensor=SMALL)
    means = [
        np.asarray(Image.open(io.BytesIO(made.live_view(CameraExposure(t, 8.0, 100.0))))).mean()
        for t in (1 / 20, 1 / 80, 1 / 320)
    ]
    assert means[0] > means[1] > means[2]
