import math
import tomllib

import pytest

from pipeline.control_limits import QUANTITIES, control_limits, read_limits
from pipeline.film import profiles_folder
from pipeline.problem import SettingsProblem

TEXT = (profiles_folder() / "process_control.toml").read_text("utf-8")


def test_limits_are_the_published_ones():
    """Publication Z-131, as a secondary transcription gives it: action and control limits."""
    published = {
        "d_min": (0.03, 0.05, False),
        "ld": (0.06, 0.08, True),
        "contrast": (0.07, 0.09, True),
        "retained": (0.10, 0.12, False),
    }
    limits = control_limits()
    assert {
        name: (limit.action, limit.control, limit.both_ways) for name, limit in limits.of.items()
    } == published
    assert set(published) == set(QUANTITIES)
    assert limits.colour_spread == 0.09
    assert "Z-131" in limits.source


def test_base_of_ordinary_film_is_the_published_range():
    """Lowest and highest Status M D-min in the published curves of 14 films."""
    spots = control_limits().spots
    assert spots.base_lowest == (0.14, 0.35, 0.73)
    assert spots.base_highest == (0.29, 0.75, 1.00)
    # Publication E-40: a normally exposed grey card reads about 0.75 to 0.95 in red.
    assert spots.grey_card_red == (0.75, 0.95)


def test_only_the_way_that_is_a_fault_counts():
    limits = control_limits().of
    assert limits["d_min"].over(-0.2) == 0.0
    assert limits["d_min"].over(0.2) == 0.2
    assert limits["ld"].over(-0.2) == 0.2


def test_each_part_names_its_source():
    document = tomllib.loads(TEXT)
    assert all("source" in document[part] for part in ("trend", "reading", "spots"))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("action = 0.06", "action = 0.09", "'limits.ld.control' is 0.08, not a number from 0.09"),
        ("action = 0.06", "action = nan", "'limits.ld.action' is nan"),
        ('way = "up"', 'way = "down"', "'limits.d_min.way' is 'down', not one of both, up"),
        ("run_strips = 8", "", "'trend.run_strips' is missing"),
        (
            "grey_card_red = [0.75, 0.95]",
            "grey_card_red = 0.8",
            "'spots.grey_card_red' is 0.8, not two numbers",
        ),
        ("[limits.ld]", "[limits.ld", "can't be read as a process profile"),
    ],
)
def test_wrong_limits_are_refused(old, new, told, tmp_path):
    path = tmp_path / "control.toml"
    assert old in TEXT
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsProblem) as raised:
        read_limits(path)
    assert told in str(raised.value)
    assert math.isfinite(control_limits().colour_spread)
