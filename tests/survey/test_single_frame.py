"""Files of one picture: where it lies, its base beside it or from clear film, and its turn."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose

from pipeline.problem import ScanProblem
from pipeline.scan.container import CameraExposure
from pipeline.scan.scan import open_scan
from pipeline.settings.settings import Settings
from pipeline.strip.base import given_base
from pipeline.strip.density import Illumination
from pipeline.strip.view import FilmMap, StripView
from pipeline.survey.clear_film import (
    ClearFilm,
    read_clear_film,
    shared_clear_film,
    turned_terms,
)
from pipeline.survey.orientation import shown, shown_by
from pipeline.survey.scan import NoBaseProblem, survey_scan
from tests.film_model import Holder, random_plan
from tests.judged.strips import corner_error

# Masked base under white light; densities of a picture above it.
BASE = np.array([0.6, 0.25, 0.12])
HEIGHT, WIDTH = 500, 750
LEVEL = FilmMap(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))
GATE = (60, 40, 690, 460)


def negative(seed: int = 0, gate: tuple[int, int, int, int] = GATE, turn_deg: float = 0.0):
    """Return density above base (h, w, 3) of a picture in its gate, and its corners (4, 2)."""
    rng = np.random.default_rng(seed)
    rough = rng.uniform(0.15, 1.4, (14, 21, 3)).astype(np.float32)
    picture = cv2.resize(rough, (WIDTH, HEIGHT), interpolation=cv2.INTER_LINEAR)
    left, top, right, bottom = gate
    box = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], float)
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = (box - box.mean(axis=0)) @ matrix.T + box.mean(axis=0)
    inside = np.zeros((HEIGHT, WIDTH), np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners * 16).astype(np.int32), 1, shift=4)
    grain = rng.normal(0.0, 0.008, picture.shape)
    return picture * inside[..., None] + grain, corners


def fall_off(amount: float) -> np.ndarray:
    y, x = np.mgrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    return amount * (0.5 * (x * x + y * y) + 0.2 * x)


def write(
    path: Path, density: np.ndarray, lost: float = 0.0, gain: float = 1.0, orientation: int = 1
) -> Path:
    light = BASE * gain * 10.0 ** -(density + fall_off(lost)[..., None])
    codes = np.rint(np.clip(light, 0, 1) * 65535).astype(np.uint16)
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(path, codes, photometric="rgb", extratags=tags, metadata=None)
    return path


@pytest.mark.parametrize("turn_deg", [0.0, 0.8, -1.2])
def test_the_gate_is_found_where_its_edges_are_in_view(tmp_path, turn_deg):
    density, corners = negative(turn_deg=turn_deg)
    survey = survey_scan(write(tmp_path / "a.tif", density), Settings())
    (strip,) = survey.strips
    (frame,) = strip.frames
    assert survey.single
    px_per_mm = (GATE[3] - GATE[1]) / 24.0
    assert np.abs(np.array(frame.outline) - corners).max() < 0.25 * px_per_mm
    assert (strip.format, strip.ppi_from) == ("135", "guess")
    assert strip.ppi == pytest.approx(px_per_mm * 25.4, rel=0.02)
    assert not strip.base.illumination.absolute
    assert_allclose(strip.base.light, BASE, rtol=0.01)


@pytest.mark.parametrize(("right", "single"), [(690, True), (WIDTH, False)])
def test_four_sides_in_view_say_more_than_one_edge_of_the_film(tmp_path, right, single):
    density, corners = negative(gate=(60, 60, right, 470))
    # The film's upper edge lies in view, and the lamp beyond it.
    density[:16] = np.log10(BASE / 0.95)
    survey = survey_scan(write(tmp_path / "a.tif", density), Settings())
    assert survey.single == single
    if single:
        ((frame,),) = (strip.frames for strip in survey.strips)
        assert frame.confidence > 0.9
        px_per_mm = (470 - 60) / 24.0
        assert np.abs(np.array(frame.outline) - corners).max() < 0.25 * px_per_mm


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_light_that_falls_off_is_followed_from_side_to_side(tmp_path, seed):
    density, corners = negative(seed)
    survey = survey_scan(write(tmp_path / "a.tif", density, lost=0.35), Settings())
    (strip,) = survey.strips
    (frame,) = strip.frames
    px_per_mm = (GATE[3] - GATE[1]) / 24.0
    assert np.abs(np.array(frame.outline) - corners).max() < 0.25 * px_per_mm
    x, y = np.linspace(-1, 1, 25), np.linspace(-1, 1, 17)[:, None]
    lost = 0.35 * (0.5 * (x * x + y * y) + 0.2 * x)
    light = strip.base.log_light(x + 0 * y, y + 0 * x)
    assert np.abs(light - np.log10(BASE) + lost[..., None]).max() < 0.025


def in_a_mask(
    path: Path, ppi: float | None, lefts: tuple[int, ...], dark: bool
) -> list[np.ndarray]:
    """Write pictures on 120 film in an opaque mask, a notch of it open; return their outlines.

    `dark` pictures are like base in a lower corner, so that their edge ends there.
    """
    rng = np.random.default_rng(5)
    # Film 61.5 mm wide, pictures of 41.5 by 56 mm (ISO 732), at 8 pixels a millimetre.
    film = np.zeros((492, 745, 3), np.float32)
    outlines = []
    for left in lefts:
        rough = rng.uniform(0.15, 1.4, (14, 10, 3)).astype(np.float32)
        if dark:
            rough[7:, 8:] = 0.0
        film[22:470, left : left + 332] = cv2.resize(rough, (332, 448))
        box = [(left, 22), (left + 331, 22), (left + 331, 469), (left, 469)]
        outlines.append(np.array(box) + np.array([57, 54]))
    scan = np.full((600, 860, 3), 3.0, np.float32)
    scan[54:546, 57:802] = film
    scan += rng.normal(0.0, 0.008, scan.shape)
    codes = np.rint(BASE * 10.0**-scan * 65535).astype(np.uint16)
    codes[:30, 400:460] = 62000
    resolution = None if ppi is None else (ppi, ppi)
    tifffile.imwrite(path, codes, photometric="rgb", resolution=resolution, metadata=None)
    return outlines


@pytest.mark.parametrize(
    ("ppi", "lefts", "dark"),
    [(203.2, (24, 390), True), (None, (24, 390), False), (203.2, (200,), False)],
)
def test_film_in_a_mask_is_a_strip(tmp_path, ppi, lefts, dark):
    path = tmp_path / "a.tif"
    outlines = in_a_mask(path, ppi, lefts, dark)
    survey = survey_scan(path, Settings())
    assert not survey.single
    (strip,) = survey.strips
    assert strip.format == "120-6x4.5"
    for frame, outline in zip(strip.frames, outlines, strict=True):
        # Within 0.25 mm.
        assert_allclose(frame.outline, outline, atol=2.0)


def test_a_picture_without_rebate_is_told_in_one_sentence(tmp_path):
    density, _ = negative(gate=(-60, -60, WIDTH + 60, HEIGHT + 60))
    path = write(tmp_path / "a.tif", density)
    with pytest.raises(NoBaseProblem, match=r"a\.tif: .*; .*--base-scan"):
        survey_scan(path, Settings())


def test_clear_film_gives_base_and_evenness_of_the_light(tmp_path):
    density, _ = negative(gate=(-60, -60, WIDTH + 60, HEIGHT + 60))
    clear = read_clear_film(write(tmp_path / "clear.tif", np.zeros_like(density), lost=0.12), None)
    path = write(tmp_path / "a.tif", density, lost=0.12)
    (strip,) = survey_scan(path, Settings(), clear=clear).strips
    (frame,) = strip.frames
    box = [(-0.5, -0.5), (WIDTH - 0.5, -0.5), (WIDTH - 0.5, HEIGHT - 0.5), (-0.5, HEIGHT - 0.5)]
    assert_allclose(frame.outline, box, atol=0.51)
    size = np.asarray(frame.thumbnail).shape
    told = cv2.resize(density.astype(np.float32), (size[1], size[0]), interpolation=cv2.INTER_AREA)
    assert np.abs(np.asarray(frame.thumbnail, float) - told).mean() < 0.01


def test_an_even_wall_round_a_poster_is_no_rebate_where_clear_film_is_known(tmp_path):
    density, _ = negative()
    poster = density + 0.5
    clear = read_clear_film(write(tmp_path / "clear.tif", np.zeros_like(density)), None)
    (strip,) = survey_scan(write(tmp_path / "a.tif", poster), Settings(), clear=clear).strips
    assert_allclose(strip.base.density, -np.log10(BASE), atol=0.01)


def test_base_of_others_serves_a_file_without(tmp_path):
    density, _ = negative()
    own = survey_scan(write(tmp_path / "a.tif", density), Settings()).own
    assert own is not None
    tight, _ = negative(seed=3, gate=(-60, -60, WIDTH + 60, HEIGHT + 60))
    (strip,) = survey_scan(write(tmp_path / "b.tif", tight), Settings(), clear=own).strips
    assert_allclose(strip.frames[0].median, np.median(tight, axis=(0, 1)), atol=0.02)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_stands_as_viewers_show_it(tmp_path, orientation):
    density, _ = negative(seed=2)
    clear = read_clear_film(write(tmp_path / "clear.tif", np.zeros_like(density), lost=0.1), None)
    path = write(tmp_path / "a.tif", density, lost=0.1, orientation=orientation)
    (strip,) = survey_scan(path, Settings(), clear=clear).strips
    thumbnail = np.asarray(strip.frames[0].thumbnail, np.float32)
    # Pillow's own turning by the tag (ImageOps.exif_transpose) says the same.
    turned = {
        1: lambda a: a, 2: np.fliplr, 3: lambda a: np.rot90(a, 2), 4: np.flipud,
        5: lambda a: np.swapaxes(a, 0, 1), 6: lambda a: np.rot90(a, -1),
        7: lambda a: np.swapaxes(np.rot90(a, 2), 0, 1), 8: lambda a: np.rot90(a, 1),
    }[orientation]  # fmt: skip
    left, top, right, bottom = GATE
    told = np.ascontiguousarray(turned(density[top:bottom, left:right])).astype(np.float32)
    told = cv2.resize(told, thumbnail.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert np.abs(thumbnail - told).mean() < 0.03


@pytest.mark.parametrize("orientation", range(1, 9))
def test_shown_is_what_pillow_turns(tmp_path, orientation):
    from PIL import Image, ImageOps

    codes = np.random.default_rng(1).integers(0, 255, (6, 9, 3), np.uint8)
    picture = Image.fromarray(codes)
    picture.getexif()[274] = orientation
    view = shown(codes.astype(np.float32), orientation)
    assert_allclose(view.light, np.asarray(ImageOps.exif_transpose(picture)))
    column, row = np.rint(view.to_proxy.onto(np.array([[2.0, 1.0]]))[0]).astype(int)
    assert_allclose(view.light[1, 2], codes[row, column])


@pytest.mark.parametrize(
    ("orientation", "told"),
    [(1, (False, False)), (3, (True, False)), (2, (False, True)), (4, (True, True))],
)
def test_a_lying_strip_is_turned_by_its_tag(orientation, told):
    assert shown_by(orientation, LEVEL) == told


def test_terms_of_light_turn_with_the_picture():
    terms = np.arange(15.0).reshape(3, 5)
    for matrix in ([[0, 1], [-1, 0]], [[-1, 0], [0, 1]], [[0, -1], [-1, 0]]):
        turned = turned_terms(terms, np.array(matrix))
        for x, y in ((0.3, -0.7), (1.0, 0.2)):
            a, b = np.array(matrix) @ [x, y]
            there = terms @ [1, a, a * a, b, b * b]
            assert_allclose(turned @ [1, x, x * x, y, y * y], there)


def clear_film(level: float, time_s: float | None = None) -> ClearFilm:
    terms = ((level, 0.0, 0.0, 0.0, 0.0),) * 3
    return ClearFilm(terms, (0.0,) * 3, CameraExposure(time_s), True, False, "a.tif")


def clear_film_of(level: np.ndarray) -> ClearFilm:
    terms = tuple((float(value), 0.0, 0.0, 0.0, 0.0) for value in level)
    return replace(clear_film(0.0), terms=terms)


def test_pictures_share_a_base_where_they_agree():
    shared = shared_clear_film([clear_film(-0.5), clear_film(-0.51), clear_film(-0.49)])
    assert shared is not None
    assert_allclose(shared.level(), -0.5)
    unsteady = shared_clear_film([clear_film(-0.5), clear_film(-0.9)])
    assert unsteady is not None
    assert not unsteady.steady
    assert shared_clear_film([]) is None
    # Twice the time is twice the light: 0.301 in log10.
    timed = shared_clear_film([clear_film(-0.5, 0.01), clear_film(-0.199, 0.02)])
    assert timed is not None
    assert_allclose(timed.level(), -0.5, atol=1e-3)


def test_pictures_share_the_shape_of_their_light_whatever_their_exposure():
    surface = np.array([(-0.2, 0.01, -0.1, 0.0, -0.05)] * 3)
    surface[:, 0] -= (0.0, 0.3, 0.5)
    gains = (0.0, 0.3, -0.2, 0.1)
    found = []
    for gain in gains:
        terms = surface.copy()
        terms[:, 0] += gain
        found.append(replace(clear_film(0.0), terms=tuple(map(tuple, terms))))
    # One saw too little to tell the middle from the border, where it read what is there.
    off = surface.copy()
    off[:, 0] += gains[3] - 2 / 3 * 0.15
    off[:, [2, 4]] = 0.0
    found[3] = replace(found[3], terms=tuple(map(tuple, off)))
    shared = shared_clear_film(found)
    assert shared is not None
    assert not shared.steady
    terms = np.array(shared.terms)
    # One exposure for all channels.
    assert np.ptp(terms[:, 0] - surface[:, 0]) < 1e-6
    assert_allclose(terms[:, 1:], surface[:, 1:], atol=1e-6)


def test_a_base_at_full_scale_tells_the_roll_nothing_of_its_colour():
    levels = np.array([(-0.3, -0.5, -0.8), (-0.2, -0.4, -0.7), (0.0, -0.15, -0.45)])
    # Two of three are exposed so much that red is full.
    found = [clear_film_of(level) for level in (levels[0], levels[2], levels[2])]
    shared = shared_clear_film(found)
    assert shared is not None
    assert_allclose(shared.level(), levels[0], atol=1e-6)
    assert not shared.steady


@pytest.mark.parametrize("matrix", [((0.97, -0.02), (0.02, 0.97)), ((0.0, 0.9), (-0.9, 0.0))])
def test_clear_film_of_a_view_is_that_of_its_file(tmp_path, matrix):
    scan = open_scan(write(tmp_path / "a.tif", negative()[0]))[0]
    # A view whose middle is that of its small picture, 300 by 200 pixels.
    (a, b), (c, d) = matrix
    middle = np.array([149.5, 99.5]) - np.array(matrix) @ [139.5, 89.5]
    way = FilmMap(((a, b, middle[0]), (c, d, middle[1]), (0.0, 0.0, 1.0)))
    view = StripView(np.zeros((180, 280, 3), np.float32), 8.0, way)
    terms = np.array([(-0.2, 0.01, -0.1, 0.02, -0.05)] * 3)
    terms[:, 0] -= (0.0, 0.3, 0.5)
    film = replace(clear_film(0.0), terms=tuple(map(tuple, terms)))
    over = film.over(view, (200, 300))
    base = given_base((1.0,) * 3, (0.0,) * 3, Illumination((0.0,) * 3, None), over, (180, 280))
    back = ClearFilm.beside(base, view, scan, (200, 300))
    assert_allclose(np.array(back.terms), terms, atol=4e-3)


@pytest.mark.parametrize(
    ("what", "said"), [("clipped", "clips"), ("picture", "no even clear film")]
)
def test_a_base_scan_that_is_none_is_told(tmp_path, what, said):
    density, _ = negative(gate=(-60, -60, WIDTH + 60, HEIGHT + 60))
    if what == "clipped":
        path = write(tmp_path / "clear.tif", np.zeros_like(density), gain=3.0)
    else:
        path = write(tmp_path / "clear.tif", density)
    with pytest.raises(ScanProblem, match=said):
        read_clear_film(path, None)


def with_perforations(path: Path, turns: int) -> tuple[str, np.ndarray, float]:
    """Write a frame as a camera sees it that stands close: film from side to side, no light.

    Return the frame's number on the film's edge, its corners (4, 2), and pixels a mm.
    """
    plan = replace(random_plan(np.random.default_rng(3), count=3), scanner="scanner-a", turn_deg=0)
    plan = replace(plan, holder=Holder(opaque=False), gains=(1.0, 1.0, 1.0))
    plan = plan.with_strips(lambda strip: replace(strip, angle_deg=0.4))
    scan = plan.scan(300.0)
    frame = scan.truth["strips"][0]["frames"][1]
    px_per_mm = 300.0 / 25.4
    corners = np.array(frame["outline"])
    beside = np.array([1.4, 5.0]) * px_per_mm
    left, top = np.rint(corners.min(axis=0) - beside).astype(int)
    right, bottom = np.rint(corners.max(axis=0) + beside).astype(int)
    seen = np.rot90(scan.codes[top:bottom, left:right], turns)
    placed = corners - (left, top)
    for _ in range(turns):
        placed = np.column_stack([placed[:, 1], right - left - 1 - placed[:, 0]])
        left, right, top, bottom = top, bottom, left, right
    tifffile.imwrite(path, np.ascontiguousarray(seen), photometric="rgb", metadata=None)
    return str(frame["number"]), placed, px_per_mm


@pytest.mark.parametrize("turns", [0, 1, 2])
def test_a_frame_with_perforations_beside_it_is_numbered_by_its_edge(tmp_path, turns):
    number, corners, px_per_mm = with_perforations(tmp_path / "a.tif", turns)
    survey = survey_scan(tmp_path / "a.tif", Settings())
    (strip,) = survey.strips
    (frame,) = strip.frames
    assert not survey.single
    assert frame.edge_number == number
    # Scale by the holes' pitch, 4.750 mm (ISO 1007).
    assert strip.ppi_from == "perforations"
    assert strip.ppi == pytest.approx(300.0, rel=0.003)
    assert corner_error(frame.outline, corners) < 0.25 * px_per_mm
    # The print stands on its feet: the picture's first corner is the same, however it lay.
    assert np.hypot(*(np.array(frame.outline[0]) - corners[0])) < 0.25 * px_per_mm


def test_perforations_beside_a_frame_say_more_than_a_base_scan(tmp_path):
    density, _ = negative()
    clear = read_clear_film(write(tmp_path / "clear.tif", np.zeros_like(density)), None)
    number, _, _ = with_perforations(tmp_path / "a.tif", 0)
    (strip,) = survey_scan(tmp_path / "a.tif", Settings(), clear=clear).strips
    assert [frame.edge_number for frame in strip.frames] == [number]
