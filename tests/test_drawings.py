"""Plots on the page that rest on files beside the scans, each with its figures."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.bath import Batch, Use
from pipeline.bath_log import BathLog
from pipeline.drawings import Beside, curve_drawing, drawings_of
from pipeline.plot import as_svg
from pipeline.problem import SettingsProblem
from pipeline.roll_curve import film_curve

CONTROL = """strip,patch,red,green,blue
aim,ld,0.75,1.16,1.42
aim,hd,1.58,2.04,2.43
1,ld,0.74,1.15,1.41
1,hd,1.56,2.02,2.41
2,ld,0.68,1.09,1.34
2,hd,1.43,1.88,2.26
"""
WEDGE = "strip,patch,log_exposure,density\n" + "".join(
    f"w,step,{-3 + 0.15 * n:.2f},{0.2 + 0.6 * max(0.0, 0.15 * n - 0.4):.3f}\n" for n in range(20)
)


def curve():
    logs = -2.0 + 0.15 * np.arange(20)
    return film_curve(logs, np.maximum(logs + 1.6, 0.0)[:, None] * [0.6, 0.64, 0.7])


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text)
    return path


def test_nothing_beside_draws_nothing():
    assert not Beside()
    assert drawings_of({}, Beside()) == ()


def test_curve_has_its_contrast_beside_it():
    drawing = curve_drawing(curve())
    assert as_svg(drawing.plot).startswith("<svg")
    assert [row[0] for row in drawing.rows] == ["red", "green", "blue"]
    assert float(drawing.rows[2][1]) == pytest.approx(0.7, rel=0.03)


def test_control_strips_are_drawn_with_their_deviations(tmp_path: Path):
    beside = Beside(readings=written(tmp_path, CONTROL))
    (drawing,) = drawings_of({}, beside)
    assert drawing.title == "Control chart"
    first, second = drawing.rows
    assert first[:2] == ("1", "\N{EN DASH}")
    # LD of strip 2 less the aim: 0.68 - 0.75.
    assert second[4] == "-0.070"


def test_a_wedge_read_with_a_densitometer_is_drawn(tmp_path: Path):
    (drawing,) = drawings_of({}, Beside(readings=written(tmp_path, WEDGE)))
    assert drawing.title == "Curve of wedge w"
    assert float(drawing.rows[0][1]) == pytest.approx(0.6, rel=0.03)


def test_readings_with_nothing_to_draw_are_refused(tmp_path: Path):
    spots = "strip,patch,red,green,blue\nx,base,0.2,0.6,0.9\n"
    with pytest.raises(SettingsProblem, match="no control strips or wedges"):
        drawings_of({}, Beside(readings=written(tmp_path, spots)))


def test_trend_of_the_rolls_batch_is_drawn(tmp_path: Path):
    log = tmp_path / "bath.sqlite"
    uses = [
        Use("spring", f"r{n}", edge_print=(1.0 - 0.02 * n,) * 3, film="colour 200")
        for n in range(6)
    ]
    BathLog(log).write([Batch("spring"), *uses], "new")
    (drawing,) = drawings_of({"name": "spring"}, Beside(bath_log=log))
    assert drawing.title == "Batch spring"
    assert "6 measured rolls" in drawing.note
    with pytest.raises(SettingsProblem, match="names no batch"):
        drawings_of({}, Beside(bath_log=log))
    with pytest.raises(SettingsProblem, match="autumn"):
        drawings_of({"name": "autumn"}, Beside(bath_log=log))
