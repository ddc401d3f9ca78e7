"""Wedges in pictures of the film model, found and read."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.chart.wedge import SURE, WedgeReading, find_wedge, looks_stepped, read_wedge_at
from pipeline.densities.characteristic import characteristic
from tests.chart.charted import frame_density
from tests.chart.wedged import DrawnWedge, true_contrast, wedge_density
from tests.film_model import Process, Scene, scene_names

WAYS = {
    "photographed": DrawnWedge(),
    "falling": DrawnWedge(falling=True),
    "contact": DrawnWedge(length=1.05, height=0.7, flare=0.0),
    "narrow steps": DrawnWedge(steps=31, step=0.10, length=0.95),
    "wide steps": DrawnWedge(steps=11, step=0.30),
    "askew": DrawnWedge(angle_deg=7.0),
    "upright": DrawnWedge(angle_deg=88.0, length=0.6),
    "slanting": DrawnWedge(angle_deg=-33.0),
    "grey surround": DrawnWedge(surround=0.0),
    "lines between": DrawnWedge(gap=0.12),
    "vignetting": DrawnWedge(vignetting_stops=0.4, length=0.95),
    "tilted": DrawnWedge(tilt=0.15),
    "uneven light": DrawnWedge(light_falloff_stops=0.2),
    "much toe": DrawnWedge(middle=-0.7),
    "much shoulder": DrawnWedge(middle=1.3),
    "small": DrawnWedge(length=0.45, height=0.12),
    "flare": DrawnWedge(flare=0.02),
    "light surround": DrawnWedge(surround=2.5, flare=0.001),
}


def off(reading: WedgeReading, step: float, truth: np.ndarray) -> np.ndarray:
    """Return the relative error of the contrast (3,)."""
    logs = step * np.arange(len(reading.densities))
    curves = characteristic(logs, reading.densities, reading.error, np.zeros(3))
    assert curves is not None
    return np.array([curve.contrast for curve in curves]) / truth - 1.0


@pytest.mark.parametrize("way", WAYS)
def test_a_wedge_is_found_whatever_way_it_is_photographed(way):
    wedge = WAYS[way]
    reading = find_wedge(wedge_density(wedge))
    assert reading is not None
    assert reading.confidence > 0.7
    # One step may be the surround where that lies below the toe, or be cut off by the frame.
    assert len(reading.densities) <= wedge.steps + 1
    assert (np.diff(reading.densities, axis=0) > -0.01).all()
    assert np.abs(off(reading, wedge.step, true_contrast("film-a", "scanner-a"))).max() < 0.05


@pytest.mark.parametrize("contrast", [0.55, 0.75, 1.25])
def test_development_shows_in_the_slope(contrast):
    process = Process(contrast=(contrast,) * 3)
    reading = find_wedge(wedge_density(DrawnWedge(), "film-d", "scanner-b", process))
    assert reading is not None
    assert np.abs(off(reading, 0.15, true_contrast("film-d", "scanner-b", process))).max() < 0.04


def test_the_steps_lie_where_they_were_drawn():
    picture = wedge_density(DrawnWedge(angle_deg=7.0))
    reading = find_wedge(picture, 21)
    assert reading is not None
    assert len(reading.densities) == 21
    middle = np.array(picture.shape[1::-1]) / 2 - 0.5
    # The height is known to a band of rows, an eighteenth of the picture.
    assert reading.corners.mean(axis=0) == pytest.approx(middle, abs=8)
    along = reading.corners[1] - reading.corners[0]
    assert np.hypot(*along) == pytest.approx(0.8 * picture.shape[1], rel=0.02)
    assert np.rad2deg(np.arctan2(along[1], along[0])) % 180 == pytest.approx(7.0, abs=0.7)


@pytest.mark.parametrize("falling", [False, True])
@pytest.mark.parametrize("start", range(4))
def test_a_wedge_is_read_by_its_corners(falling, start):
    wedge = DrawnWedge(falling=falling, middle=0.2)
    picture = wedge_density(wedge)
    rows, columns = picture.shape[:2]
    x, y = (0.5 + wedge.length * np.array([-0.5, 0.5])) * columns - 0.5, np.array([-0.5, 0.5])
    y = rows / 2 + wedge.height * columns * y - 0.5
    corners = np.array([[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]])
    reading = read_wedge_at(picture, np.roll(corners, start, axis=0), 21)
    assert reading.confidence == 1.0
    assert np.abs(off(reading, 0.15, true_contrast("film-a", "scanner-a"))).max() < 0.03
    elsewhere = read_wedge_at(picture, corners * [1, 0] + [0, 5], 21)
    assert elsewhere.confidence == 0.0


@pytest.mark.parametrize("stops", [-2, 0, 2])
def test_grey_steps_that_fill_the_frame_are_found(stops):
    picture = frame_density("film-c", "scanner-b", "steps", stops)
    assert looks_stepped(picture)
    reading = find_wedge(picture)
    assert reading is not None
    assert reading.confidence > SURE
    # Steps that are all base may be left out.
    assert len(reading.densities) in (10, 11)
    assert np.abs(off(reading, 0.30103, true_contrast("film-c", "scanner-b"))).max() < 0.05


@pytest.mark.parametrize("name", [name for name in scene_names() if name != "steps"])
def test_ordinary_pictures_are_no_wedges(name):
    picture = frame_density("film-a", "scanner-b", Scene(name, (0.4, 0.4, 0.7), seed=3))
    assert not looks_stepped(picture)
    found = find_wedge(picture)
    assert found is None or found.confidence < SURE


@pytest.mark.parametrize("value", [np.nan, 0.7])
def test_what_shows_nothing_is_no_wedge(value):
    assert find_wedge(np.full((120, 180, 3), value, np.float32)) is None
    assert not looks_stepped(np.full((120, 180, 3), 0.7, np.float32))
    assert find_wedge(np.zeros((8, 12, 3), np.float32)) is None
    assert not looks_stepped(np.zeros((1, 1, 3), np.float32))


def test_no_more_steps_are_read_than_there_are():
    wedge = replace(DrawnWedge(steps=11, step=0.3), surround=-3.0)
    reading = find_wedge(wedge_density(wedge), 11)
    assert reading is not None
    assert len(reading.densities) == 11


@pytest.mark.parametrize(("rise", "sure"), [(0.07, 0.0), (0.15, 1.0)])
def test_steps_that_hardly_rise_are_no_wedge(rise, sure):
    steps = np.repeat(0.5 + rise * np.arange(8) / 7, 40)
    picture = np.repeat(np.broadcast_to(steps, (60, 320))[..., None], 3, axis=2)
    corners = np.array([[0.0, 0.0], [319.0, 0.0], [319.0, 59.0], [0.0, 59.0]])
    assert read_wedge_at(picture.astype(np.float32), corners, 8).confidence == sure
