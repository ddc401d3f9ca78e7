"""The photograph's truth held against what the picture shows."""

import io

import numpy as np
import pytest
from PIL import Image

from tests.film_model import FrameSpec, Holder, Roll, StripSpec, make_scan
from tests.film_model.photograph import Shot, photograph

SHOTS = {
    "plain": Shot(900),
    "aslant": Shot(900, across=0.8, turn_deg=6.0, aslant=(0.05, -0.05), shift=(0.02, 0.1)),
    "corners": Shot(900, across=0.8, corners=((0.02, 0.0), (0.0, 0.02), (-0.01, 0.0), (0.0, 0.0))),
    "lens": Shot(900, radial=0.03, shift=(0.0, -0.1)),
    "bowed": Shot(900, bow_mm=-2.0),
    "curled": Shot(900, curl_mm=2.0),
}


@pytest.mark.parametrize("name", SHOTS)
def test_light_comes_through_where_the_truth_has_perforations(name):
    roll = Roll("film-a", (FrameSpec(),) * 3)
    scan = make_scan([StripSpec(roll, 0, 2)], ppi=200.0, holder=Holder(opaque=False))
    made = photograph(scan, SHOTS[name])
    picture = np.asarray(Image.open(io.BytesIO(made.jpeg)), float).mean(axis=2)
    holes = np.array(made.truth["strips"][0]["perforations"])
    pixel_mm = 25.4 / made.truth["ppi"]
    x, y = np.rint(holes).astype(int).T
    bright = picture[y, x]
    # Between two holes, half a pitch on (2.375 mm, ISO 1007), is film.
    steps = np.diff(holes, axis=0)
    near = np.hypot(*steps.T) * pixel_mm < 6.0
    x, y = np.rint((holes[:-1] + steps / 2)[near]).astype(int).T
    assert bright.min() > picture[y, x].max()
