"""Reading strips by their edge: drawn strips, the film model's strips, and frame numbers."""

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.edge.numbers import number_frames, picture_phase, position_at
from pipeline.edge.reading import read_edge, rescaled
from tests.edge.drawn import PRINT_RATIO, Look, draw_strip, run_of
from tests.film_model import FrameSpec, Process, Roll, StripSpec, make_scan, scanner_names

WAYS = [(False, False), (True, False), (False, True), (True, True)]


def read(strip):
    return read_edge(strip.light, strip.px_per_mm, strip.top_row, strip.bottom_row)


def texts_of(reading):
    return [code.text for code in reading.codes]


def assert_nothing_wrong(reading, strip):
    """Every code that was read stands where it was drawn."""
    for code in reading.codes:
        assert code.text in strip.codes
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=0.3 * strip.px_per_mm)


@pytest.mark.parametrize("px_per_mm", [4.0, 5.0, 8.0, 12.0, 31.0])
@pytest.mark.parametrize(("turned", "mirrored"), WAYS)
def test_all_codes_are_read_whichever_way_the_strip_lies(px_per_mm, turned, mirrored):
    texts = run_of("115-10", 22, 6)
    look = Look(px_per_mm=px_per_mm, turned=turned, mirrored=mirrored, skew_deg=0.4)
    strip = draw_strip(texts, 120.0, look)
    reading = read(strip)
    assert sorted(texts_of(reading)) == sorted(texts)
    assert_nothing_wrong(reading, strip)
    assert reading.direction == (-1 if turned else 1)
    assert reading.mirrored is mirrored
    columns = [code.x_px for code in reading.codes]
    assert columns == sorted(columns)
    # A frame every 38 mm (eight perforations of 4.75 mm, ISO 1007).
    sign = -1.0 if turned != mirrored else 1.0
    assert reading.frames_per_mm == pytest.approx(sign / 38.0, rel=0.003)
    for code in reading.codes:
        assert position_at(reading, code.x_px) == pytest.approx(code.number, abs=0.01)


# By itself the library ends at a blur of 0.4 modules, 0.17 mm; with sharpened pages it goes on.
@pytest.mark.parametrize("blur_mm", [0.05, 0.1, 0.15, 0.2])
@pytest.mark.parametrize("px_per_mm", [6.0, 12.0])
def test_blur_is_borne(blur_mm, px_per_mm):
    texts = run_of("31-7", 60, 4)
    strip = draw_strip(texts, 80.0, Look(px_per_mm=px_per_mm, blur_mm=blur_mm))
    assert texts_of(read(strip)) == texts


@pytest.mark.parametrize("skew_deg", [-1.0, 1.0])
@pytest.mark.parametrize("px_per_mm", [8.0, 12.0])
def test_skew_of_a_degree_is_borne(skew_deg, px_per_mm):
    texts = run_of("31-7", 60, 4)
    strip = draw_strip(texts, 80.0, Look(px_per_mm=px_per_mm, skew_deg=skew_deg))
    reading = read(strip)
    assert set(texts_of(reading)) == set(texts)
    # Turned about the strip's middle, its rebate moves along by sin(1 degree) * 17 mm.
    for code in reading.codes:
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=0.35 * px_per_mm)


LOOKS = st.builds(
    Look,
    px_per_mm=st.sampled_from([3.6, 4.0, 5.0, 6.0, 8.0, 12.0, 16.0]),
    module_mm=st.floats(0.41, 0.46),
    print_density=st.floats(0.03, 1.3),
    blur_mm=st.floats(0.02, 0.3),
    noise=st.floats(0.001, 0.03),
    skew_deg=st.floats(-0.8, 0.8),
    turned=st.booleans(),
    mirrored=st.booleans(),
    seed=st.integers(0, 9999),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    LOOKS,
    st.integers(1, 127),
    st.integers(0, 15),
    st.integers(0, 127),
    st.integers(1, 3),
    st.floats(-7.0, 5.0),
)
def test_no_reading_is_ever_wrong(look, product, generation, step, count, first_mm):
    texts = run_of(f"{product}-{generation}", step, count)
    strip = draw_strip(texts, 19.0 * count + 4.0, look, first_mm=first_mm)
    reading = read(strip)
    for code in reading.codes:
        assert code.text in strip.codes
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=0.6 * look.px_per_mm)
    if reading.codes:
        assert (reading.direction == -1, reading.mirrored) == (look.turned, look.mirrored)


@settings(max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from([6.0, 8.0, 12.0]),
    st.floats(0.02, 0.12),
    st.floats(0.3, 1.2),
    st.integers(1, 127),
    st.integers(0, 15),
    st.integers(0, 127),
    st.sampled_from(WAYS),
)
def test_fair_scans_are_read_in_full(px_per_mm, blur_mm, density, product, generation, step, way):
    texts = run_of(f"{product}-{generation}", step, 3)
    look = Look(
        px_per_mm=px_per_mm,
        blur_mm=blur_mm,
        print_density=density,
        turned=way[0],
        mirrored=way[1],
    )
    assert set(texts_of(read(draw_strip(texts, 60.0, look)))) == set(texts)


@pytest.mark.parametrize("density", [0.3, 0.8, 1.2])
@pytest.mark.parametrize(("px_per_mm", "within"), [(8.0, 0.04), (12.0, 0.02), (31.0, 0.015)])
def test_density_of_the_print_is_measured(density, px_per_mm, within):
    # Density is -log10 of transmittance (IEC Electropedia), here known from the drawing.
    look = Look(px_per_mm=px_per_mm, print_density=density, noise=0.001)
    reading = read(draw_strip(run_of("115-10", 22, 4), 80.0, look))
    expected = density * np.array(PRINT_RATIO)
    assert reading.print_density == pytest.approx(expected, abs=within * max(1.0, density))


def test_print_too_black_for_the_scan_has_no_density():
    look = Look(print_density=6.0, noise=0.0, blur_mm=0.0)
    reading = read(draw_strip(run_of("115-10", 22, 4), 80.0, look))
    assert len(reading.codes) == 4
    assert reading.print_density is None


def test_a_holder_may_hide_the_edge():
    strip = draw_strip(run_of("115-10", 22, 4), 80.0, Look(px_per_mm=12.0))
    hidden = round((1.0 + 0.2) * 12.0)
    cut = strip.light[hidden:-hidden]
    reading = read_edge(cut, 12.0, strip.top_row - hidden, strip.bottom_row - hidden)
    assert texts_of(reading) == list(strip.codes)
    cut = strip.light[: int(strip.bottom_row - 1.0 * 12.0)]
    reading = read_edge(cut, 12.0, strip.top_row, strip.bottom_row)
    assert reading.codes == ()


@pytest.mark.parametrize("px_per_mm", [6.0, 8.0, 12.0, 31.0])
@pytest.mark.parametrize(("turned", "mirrored"), WAYS)
def test_print_that_names_the_film_only_is_read(px_per_mm, turned, mirrored):
    look = Look(px_per_mm=px_per_mm, turned=turned, mirrored=mirrored, skew_deg=-0.3)
    strip = draw_strip(["31-7"] * 4, 80.0, look)
    reading = read(strip)
    assert texts_of(reading) == ["31-7"] * 4
    assert [code.number for code in reading.codes] == [None] * 4
    assert (reading.numbered, reading.film_code) == (False, "31-7")
    assert (reading.direction, reading.mirrored) == (-1 if turned else 1, mirrored)
    assert (reading.frames_per_mm, reading.frame_at_left) == (0.0, 0.0)
    assert position_at(reading, 100.0) is None
    assert number_frames(reading, [100.0, 500.0], 1.0) == (None, None)
    for code, column in zip(reading.codes, sorted(x for _, x in strip.places), strict=True):
        assert code.x_px == pytest.approx(column, abs=0.2 * px_per_mm)
    assert reading.print_density == pytest.approx(0.8 * np.array(PRINT_RATIO), abs=0.06)


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(LOOKS, st.integers(1, 127), st.integers(0, 15), st.integers(1, 4), st.floats(-7.0, 5.0))
def test_no_film_is_ever_read_wrongly(look, product, generation, count, first_mm):
    text = f"{product}-{generation}"
    strip = draw_strip([text] * count, 19.0 * count + 4.0, look, first_mm=first_mm)
    reading = read(strip)
    assert {code.text for code in reading.codes} <= {text}
    if reading.codes:
        assert (reading.direction == -1, reading.mirrored) == (look.turned, look.mirrored)


@pytest.mark.parametrize("turned", [False, True])
def test_one_edge_in_view_is_enough(turned):
    # The holder covers the other rebate and some of the picture beside it.
    look = Look(px_per_mm=8.0, turned=turned)
    strip = draw_strip(run_of("115-10", 22, 4), 80.0, look)
    hidden = round(8.0 * 8.0)
    light = strip.light.copy()
    if turned:
        shown, rows = light[:-hidden], (strip.top_row, None)
    else:
        shown, rows = light[hidden:], (None, strip.bottom_row - hidden)
    assert set(texts_of(read_edge(shown, 8.0, *rows))) == set(strip.codes)
    assert read_edge(shown, 8.0, None, None).codes == ()
    wrong = (rows[1], rows[0])
    assert read_edge(shown, 8.0, *wrong).codes == ()


@pytest.mark.parametrize("scale", [4.0, 12.0, 31.0])
def test_a_reading_may_be_told_in_pixels_of_another_scale(scale):
    strip = draw_strip(run_of("115-10", 22, 4), 80.0)
    reading = read(strip)
    other = rescaled(reading, scale)
    back = rescaled(other, 12.0)
    for code, moved, same in zip(reading.codes, other.codes, back.codes, strict=True):
        # Distances from the borders of the first pixels, in mm.
        assert (moved.x_px + 0.5) / scale == pytest.approx((code.x_px + 0.5) / 12.0)
        assert (moved.y_px + 0.5) / scale == pytest.approx((code.y_px + 0.5) / 12.0)
        assert position_at(other, moved.x_px) == pytest.approx(position_at(reading, code.x_px))
        assert same.x_px == pytest.approx(code.x_px)
    assert back.frame_at_left == pytest.approx(reading.frame_at_left)


def test_nothing_is_read_where_nothing_is_printed():
    strip = draw_strip([], 80.0)
    reading = read(strip)
    assert reading.codes == ()
    assert (reading.direction, reading.mirrored) == (1, False)
    assert reading.print_density is None
    assert position_at(reading, 100.0) is None
    assert number_frames(reading, [100.0], 1.0) == (None,)
    assert number_frames(reading, [100.0, 500.0], 1.0) == (None, None)
    assert picture_phase(reading, [100.0], 1.0) is None


def test_below_one_and_a_half_pixels_a_module_nothing_is_tried():
    strip = draw_strip(run_of("115-10", 22, 4), 80.0, Look(px_per_mm=3.0))
    assert read(strip).codes == ()


def test_the_strip_is_left_alone():
    strip = draw_strip(run_of("115-10", 22, 2), 40.0)
    before = strip.light.copy()
    read(strip)
    assert np.array_equal(strip.light, before)


@pytest.mark.parametrize(
    ("light", "scale", "rows", "complaint"),
    [
        (np.zeros((400, 500), np.float32), 12.0, (10.0, 390.0), "shape"),
        (np.zeros((400, 500, 4), np.float32), 12.0, (10.0, 390.0), "shape"),
        (np.zeros((0, 500, 3), np.float32), 12.0, (10.0, 390.0), "shape"),
        (np.zeros((400, 500, 3), np.uint16), 12.0, (10.0, 390.0), "floating point"),
        (np.zeros((400, 500, 3), np.float32), 0.0, (10.0, 390.0), "px_per_mm"),
        (np.zeros((400, 500, 3), np.float32), np.nan, (10.0, 390.0), "px_per_mm"),
        (np.zeros((400, 500, 3), np.float32), 12.0, (390.0, 10.0), "top_row"),
        (np.zeros((400, 500, 3), np.float32), 12.0, (np.nan, 10.0), "top_row"),
        (np.zeros((400, 500, 3), np.float32), 12.0, (None, np.inf), "finite"),
        (np.full((400, 500, 3), np.nan, np.float32), 12.0, (10.0, 390.0), "finite"),
    ],
)
def test_senseless_input_is_named(light, scale, rows, complaint):
    with pytest.raises(ValueError, match=complaint):
        read_edge(light, scale, *rows)


def straightened(scan, margin_mm=1.5):
    """A film model's strip as light, levelled by the true outline, with what is true of it."""
    truth = scan.truth["strips"][0]
    px_per_mm = scan.truth["ppi"] / 25.4
    length, width = truth["length_mm"], truth["film_width_mm"]
    to = np.float32([[0, margin_mm], [length, margin_mm], [0, width + margin_mm]])
    corners = np.float32(truth["outline"])[[0, 1, 3]]
    matrix = cv2.getAffineTransform(corners, to * np.float32(px_per_mm) - np.float32(0.5))
    full = np.iinfo(scan.codes.dtype).max
    light = (scan.codes / full).astype(np.float32) ** scan.truth["scanner"]["gamma"]
    shape = (int(length * px_per_mm), int((width + 2 * margin_mm) * px_per_mm))
    level = cv2.warpAffine(light, matrix, shape).astype(np.float32)

    def column(outline):
        return float((matrix @ np.append(np.mean(outline, axis=0), 1.0))[0])

    rows = (margin_mm * px_per_mm - 0.5, (width + margin_mm) * px_per_mm - 0.5)
    codes = {
        code["text"].replace("/X", "/62").replace("/00", "/63"): column(code["outline"])
        for code in truth["codes"]
    }
    centres = [column(frame["outline"]) for frame in truth["frames"]]
    return level, px_per_mm, rows, codes, centres, truth


def model_scan(scanner="scanner-a", ppi=300, first_number=11, process=None, **strip):
    frames = [FrameSpec(scene) for scene in ("coffee", "sunset", "hills")]
    roll = Roll("film-a", frames, first_number=first_number, process=process or Process(), seed=4)
    return make_scan([StripSpec(roll, 0, 3, angle_deg=0.5, **strip)], scanner=scanner, ppi=ppi)


@pytest.mark.parametrize("scanner", scanner_names())
@pytest.mark.parametrize("ppi", [150, 300])
def test_strips_of_the_film_model_are_read_and_numbered(scanner, ppi):
    level, scale, rows, codes, centres, truth = straightened(model_scan(scanner, ppi))
    reading = read_edge(level, scale, *rows)
    assert texts_of(reading) == list(codes)
    for code in reading.codes:
        assert code.x_px == pytest.approx(codes[code.text], abs=0.1 * scale)
    assert number_frames(reading, centres, 1.0) == tuple(f["number"] for f in truth["frames"])
    assert (reading.direction, reading.mirrored) == (1, False)


def test_model_strips_upside_down_and_mirrored_keep_their_numbers():
    level, scale, (top, bottom), codes, centres, truth = straightened(model_scan())
    height, width = level.shape[:2]
    numbers = tuple(frame["number"] for frame in truth["frames"])
    turned = read_edge(level[::-1, ::-1].copy(), scale, height - 1 - bottom, height - 1 - top)
    assert texts_of(turned) == list(codes)[::-1]
    assert (turned.direction, turned.mirrored) == (-1, False)
    assert number_frames(turned, [width - 1 - x for x in centres], 1.0) == numbers
    mirrored = read_edge(level[:, ::-1].copy(), scale, top, bottom)
    assert (mirrored.direction, mirrored.mirrored) == (1, True)
    assert number_frames(mirrored, [width - 1 - x for x in centres], 1.0) == numbers


@pytest.mark.parametrize("contrast", [0.7, 1.0])
def test_density_of_the_models_print_is_measured(contrast):
    scan = model_scan(process=Process(contrast=(contrast,) * 3))
    level, scale, rows, _, _, truth = straightened(scan)
    # The scanner's offset is taken off as its dark reading would be; its flare stays, 0.2 %.
    level -= np.float32(scan.truth["scanner"]["offset"])
    reading = read_edge(level, scale, *rows)
    assert reading.print_density == pytest.approx(truth["edge_print_above_base"], abs=0.02)
