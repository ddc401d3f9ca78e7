"""Pictures for the screen against the files that are written."""

import time
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from pipeline.problem import SettingsProblem
from pipeline.review.pictures import Store, Tones, strip_picture
from tests.review.desks import desk_over, do


@pytest.fixture(scope="module")
def desk(model_roll, tmp_path_factory):
    import shutil

    scans = tmp_path_factory.mktemp("review") / "harbour"
    shutil.copytree(model_roll, scans)
    (scans / "roll.toml").write_text("share = 'png'\narchive = 'none'\nshare_size = 150\n", "utf-8")
    with desk_over(scans, scans.parent / "out") as made:
        do(made, "tone", "12", tones={"exposure": 0.4, "contrast": 1.9, "white": 0.9})
        do(made, "tone", "13", tones={"neutral": [0.3, 0.4]})
        made.write()
        made.wait()
        yield made


@pytest.mark.parametrize("number", ["11", "12", "13", "17"])
def test_a_picture_of_the_screen_is_the_written_one_within_a_code(desk, number):
    placed = desk.frame(number)
    shown = desk.pictures.frame(desk.state.surveyed, placed, 150)
    with Image.open(desk.out / f"harbour_{number}.png") as file:
        written = np.asarray(file)
    assert shown.shape == written.shape
    assert np.abs(shown.astype(int) - written).max() <= 1


def test_what_is_tried_is_what_comes_of_it(desk):
    tones = {"exposure": -0.7, "balance": [0.05, 0.0, -0.03], "black": 0.05}
    surveyed = desk.state.surveyed
    tried = desk.pictures.frame(surveyed, desk.frame("14"), 150, Tones(frame=tones))
    of_roll = desk.pictures.frame(
        surveyed, desk.frame("14"), 150, Tones(roll={"exposure": 0.6, "contrast": 2.0})
    )
    do(desk, "tone", "14", tones=tones)
    own = desk.pictures.frame(desk.state.surveyed, desk.frame("14"), 150)
    assert np.abs(own.astype(int) - tried).max() <= 1
    desk.undo()
    do(desk, "tone", tones={"exposure": 0.6, "contrast": 2.0})
    shown = desk.pictures.frame(desk.state.surveyed, desk.frame("14"), 150)
    assert np.abs(shown.astype(int) - of_roll).max() <= 1
    assert tomllib.loads((desk._notes).read_text("utf-8"))["contrast"] == 2.0
    desk.undo()


def test_what_cannot_be_tried_is_told(desk):
    with pytest.raises(SettingsProblem, match="exposure"):
        desk.pictures.frame(
            desk.state.surveyed, desk.frame("14"), 150, Tones(frame={"exposure": 99})
        )


def test_a_strip_has_base_at_zero_and_pictures_above(desk):
    strip = desk.state.surveyed.strips[0]
    densities = desk.pictures.strip(strip).astype(float)
    assert densities.shape[1] > densities.shape[0]
    # The rebate's lightest tenth is base or the holes beyond it.
    assert np.percentile(densities, 30, axis=(0, 1)) == pytest.approx((0, 0, 0), abs=0.05)
    assert densities.max() > 0.8


def test_a_strip_shows_what_coarse_codes_leave_open_as_its_pictures_do(desk):
    surveyed, strip = desk.state.surveyed, desk.state.surveyed.strips[0]
    coarse = replace(strip, scan=replace(strip.scan, bits=8))
    # Bright greys of the film itself; their blue then lies on the file's least codes.
    colour = surveyed.colour
    layers = np.stack(
        [curve.density(0.18 * 2.0 ** np.linspace(2, 4, 20)) for curve in colour.curves]
    )
    true = np.linalg.solve(np.asarray(colour.unmask), layers).T[None]
    crushed = true.copy()
    crushed[..., 2] = np.minimum(crushed[..., 2], 1.2)

    def cast(densities, of):
        shown = strip_picture(densities.astype(np.float16), surveyed, of, False).astype(float)
        return np.abs(shown[..., 2] - shown[..., 1]).mean()

    assert cast(true, strip) < 5
    assert cast(crushed, coarse) < 0.75 * cast(crushed, strip)


def test_the_store_lets_the_least_used_go():
    store = Store[np.ndarray](100)
    made = []

    def make(name):
        made.append(name)
        return np.zeros(40, np.uint8)

    for name in "abacab":
        store.get(name, lambda name=name: make(name))
    assert made == ["a", "b", "c", "b"]
    began = time.monotonic()
    assert store.get("big", lambda: np.zeros(1000, np.uint8)).nbytes == 1000
    assert time.monotonic() - began < 1
