"""Control patches of strips of the film model: which are there, and what their errors hold."""

import numpy as np
import pytest

from pipeline.settings.settings import Settings
from pipeline.survey.scan import survey_scan
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan, write_scan


def surveyed(folder, **changes):
    roll = Roll("film-e", (FrameSpec("harbour"), FrameSpec("boats")), seed=6, **changes)
    scan = make_scan([StripSpec(roll, count=2)], scanner="scanner-b", ppi=200, seed=6)
    truth = scan.truth["strips"][0]
    return survey_scan(write_scan(folder, "s", scan), Settings()).strips[0], truth


def test_a_strip_with_leader_and_print_has_both_patches(tmp_path):
    strip, truth = surveyed(tmp_path, leader_mm=22.0, light_struck_mm=15.0)
    assert strip.print_from == "codes"
    printed, error = np.array(strip.print_density), np.array(strip.print_error)
    assert (np.abs(printed - truth["edge_print_above_base"]) < 3.0 * error).all()
    # No film is denser than where all light there is has struck it.
    assert (np.array(strip.d_max) > printed + 0.3).all()
    assert (np.array(strip.d_max_error) > 0.0).all()


@pytest.mark.parametrize("edge_print", [True, False])
def test_a_patch_that_is_not_there_is_none(tmp_path, edge_print):
    strip, _ = surveyed(tmp_path, edge_print=edge_print)
    assert (strip.print_density is not None) is edge_print
    assert (strip.print_error is not None) is edge_print
    assert (strip.d_max, strip.d_max_error) == (None, None)
