"""What roll.toml says of wedges and brackets."""

from pathlib import Path

import pytest

from pipeline.problem import SettingsProblem
from pipeline.settings import read_roll_file
from pipeline.wedge import Bracket, Wedge, read_bracket, read_wedge

CORNERS = [[0.1, 0.2], [0.9, 0.2], [0.9, 0.6], [0.1, 0.6]]


def test_a_wedge_is_a_frame_and_a_step():
    assert read_wedge({"frame": "3", "step": 0.15}) == Wedge("03", 0.15)
    full = read_wedge(
        {"frame": "07A", "step": 0.1, "steps": 31, "corners": CORNERS, "log_exposure": -0.5}
    )
    assert full == Wedge("07A", 0.1, 31, tuple(map(tuple, CORNERS)), -0.5)


def test_steps_may_be_told_in_stops():
    # A stop doubles the exposure: log10 2 = 0.30103.
    assert read_wedge({"frame": "03", "stops": 0.5}).step == pytest.approx(0.150515)


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ("03", "is not a table; write it under a heading .wedge"),
        ({"step": 0.15}, "'frame' is missing"),
        ({"frame": "03"}, "how far its steps are apart is not said"),
        ({"frame": "03", "step": 0.15, "stops": 0.5}, "not both"),
        ({"frame": "03", "step": 3}, "steps of 3.00 are none a wedge has"),
        ({"frame": "03", "step": "small"}, "'step' is 'small'"),
        ({"frame": "03", "step": 0.15, "steps": 20.5}, "whole number"),
        ({"frame": "03", "step": 0.15, "corners": CORNERS}, "how many steps there are"),
        (
            {"frame": "03", "step": 0.15, "steps": 9, "corners": CORNERS[:3]},
            "'corners' is .*give four points",
        ),
        ({"frame": "third", "step": 0.15}, "'third' is no frame number"),
        ({"frame": "03", "setp": 0.15}, "key 'setp' is not known; write 'step"),
        ({"frame": "03", "step": 0.15, "log_exposure": 9}, "'log_exposure' is 9"),
    ],
)
def test_a_wedge_that_makes_no_sense_is_refused(table, what):
    with pytest.raises(SettingsProblem, match=what):
        read_wedge(table)


@pytest.mark.parametrize(
    ("least", "most", "beyond"),
    [
        ({"steps": 4}, {"steps": 64}, ({"steps": 3}, {"steps": 65})),
        (
            {"log_exposure": -8},
            {"log_exposure": 4},
            ({"log_exposure": -8.1}, {"log_exposure": 4.1}),
        ),
        ({"step": 0.02}, {"step": 0.7}, ({"step": 0.015}, {"step": 0.75})),
    ],
)
def test_a_wedge_is_read_within_its_bounds(least, most, beyond):
    plain = {"frame": "03", "step": 0.15}
    for table in (least, most):
        wedge = read_wedge(plain | table)
        assert [vars(wedge)[name] for name in table] == [*table.values()]
    for table in beyond:
        with pytest.raises(SettingsProblem):
            read_wedge(plain | table)


def test_stops_of_a_bracket_are_within_fifteen():
    frames = ["01", "02", "03", "04"]
    assert read_bracket({"frames": frames, "stops": [-15, 0, 1, 15]}).stops[-1] == 15.0
    for far in (-15.5, 15.5):
        with pytest.raises(SettingsProblem):
            read_bracket({"frames": frames, "stops": [far, 0, 1, 2]})


def test_a_bracket_is_read_from_two_stops_on():
    frames = ["01", "02", "03", "04"]
    assert read_bracket({"frames": frames, "stops": [0, 0.5, 1, 2]}).stops[-1] == 2.0
    with pytest.raises(SettingsProblem, match="too close"):
        read_bracket({"frames": frames, "stops": [0, 0.5, 1, 1.9]})
    with pytest.raises(SettingsProblem, match="too few"):
        read_bracket({"frames": frames[:3], "stops": [0, 1, 3]})


def test_a_bracket_is_frames_and_their_stops():
    table = {"frames": ["3", 4, "5", "6"], "stops": [-2, 0, 1, 2.5], "grey": [0.4, 0.4, 0.6, 0.6]}
    want = Bracket(("03", "04", "05", "06"), (-2.0, 0.0, 1.0, 2.5), (0.4, 0.4, 0.6, 0.6))
    assert read_bracket(table) == want


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ({"frames": ["01"]}, "'stops' is missing"),
        ({"frames": ["01", "02", "03"], "stops": [0, 1]}, "3 frames and 2 stops"),
        ({"frames": ["01", "1", "03", "04"], "stops": [0, 1, 2, 3]}, "named twice"),
        ({"frames": ["01", "02", "03"], "stops": [0, 1, 2]}, "too few or too close"),
        ({"frames": ["01", "02", "03", "04"], "stops": [0, 0.3, 0.6, 1]}, "too close together"),
        (
            {"frames": ["01", "02", "03", "04"], "stops": [0, 1, 2, True]},
            r"'stops' is \[0, 1, 2, True\]; give numbers",
        ),
        ({"frame": ["01"], "stops": [1]}, "key 'frame' is not known; write 'frames'"),
    ],
)
def test_a_bracket_that_makes_no_sense_is_refused(table, what):
    with pytest.raises(SettingsProblem, match=what):
        read_bracket(table)


def test_they_are_read_from_roll_toml(tmp_path: Path):
    path = tmp_path / "roll.toml"
    path.write_text(
        '[wedge]\nframe = "03"\nstep = 0.15\n\n[bracket]\nframes = ["05", "06", "07", "08"]\n'
        "stops = [-2, -1, 0, 1]\n"
    )
    notes, changes = read_roll_file(path)
    assert notes.wedge == Wedge("03", 0.15)
    assert notes.bracket is not None
    assert notes.bracket.stops == (-2.0, -1.0, 0.0, 1.0)
    assert changes == {}
    path.write_text('[wegde]\nframe = "03"\nstep = 0.15\n')
    with pytest.raises(SettingsProblem, match="write 'wedge' if that is meant"):
        read_roll_file(path)
    path.write_text('[wedge]\nframe = "03"\n')
    with pytest.raises(SettingsProblem, match=r"roll\.toml"):
        read_roll_file(path)
