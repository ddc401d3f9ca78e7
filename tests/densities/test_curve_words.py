"""A film's curve in words: figures of a wedge with a straight line of known slope.

Speed: the formula of ISO 5800, S = sqrt(2) / H, from memory.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from pipeline.control.readings import Wedge, read_readings
from pipeline.densities.curve_words import curve_document, curve_lines, curve_of_wedge

SLOPES = (0.60, 0.64, 0.68)


def parts(wedge: Wedge) -> tuple[np.ndarray, np.ndarray, bool]:
    """Return what a curve is made of."""
    return wedge.log_exposure, wedge.density, wedge.lux_seconds


def wedge(lux_seconds: bool = False, steps: int = 21, shift: float = -3.4) -> Wedge:
    """Return steps of 0.15 log exposure: level, then a straight line (Hurter and Driffield)."""
    log_exposure = shift + 0.15 * np.arange(steps)
    rise = np.maximum(log_exposure - (shift + 0.45), 0.0)[:, None] * np.array(SLOPES)
    base = np.array([0.2, 0.6, 0.9])
    return Wedge("w", None, "", log_exposure, base + rise, lux_seconds)


def test_contrast_of_a_wedge_is_its_slope():
    curve = curve_of_wedge(*parts(wedge()))
    assert curve is not None
    assert curve.contrast == pytest.approx(SLOPES, rel=0.02)
    first = curve_lines(curve)[0]
    assert "steps read with a densitometer" in first
    assert f"{curve.contrast[0]:.3f}" in first


def test_speed_is_told_only_for_exposures_in_lux_seconds():
    relative, absolute = curve_of_wedge(*parts(wedge())), curve_of_wedge(*parts(wedge(True)))
    assert relative is not None
    assert absolute is not None
    assert not any("ISO 5800" in line for line in curve_lines(relative))
    (told,) = [line for line in curve_lines(absolute) if "ISO 5800" in line]
    points = np.array(absolute.speed.log_exposure, float)
    # Green, and the slowest of the three, each 0.15 above D-min; from memory.
    mean = (points[1] + points.max()) / 2.0
    assert absolute.speed.iso == pytest.approx(math.sqrt(2.0) / 10.0**mean, rel=1e-6)
    assert f"ISO {absolute.speed.told}/" in told


def test_steps_not_read_are_passed_over_and_few_make_no_curve():
    holed = wedge()
    holed.density[4] = np.nan
    curve = curve_of_wedge(*parts(holed))
    assert curve is not None
    assert len(curve.log_exposure) == 20
    assert curve_of_wedge(*parts(wedge(steps=3))) is None


def test_the_document_is_plain_json():
    curve = curve_of_wedge(*parts(wedge(True)))
    assert curve is not None
    told = json.loads(json.dumps(curve_document(curve), allow_nan=False))
    assert told["contrast"] == pytest.approx(SLOPES, rel=0.02)
    assert len(told["density"]) == 21


def test_a_table_tells_exposure_in_lux_seconds(tmp_path: Path):
    rows = wedge(True)
    lines = ["strip,patch,log_exposure_lx_s,red,green,blue"] + [
        f"w,step,{log:.2f},{r:.3f},{g:.3f},{b:.3f}"
        for log, (r, g, b) in zip(rows.log_exposure, rows.density, strict=True)
    ]
    path = tmp_path / "wedge.csv"
    path.write_text("\n".join(lines))
    (read,) = read_readings(path).wedges
    assert read.lux_seconds
    path.write_text("\n".join(lines).replace("_lx_s", ""))
    (read,) = read_readings(path).wedges
    assert not read.lux_seconds
