import math
import tomllib

import pytest

from pipeline.check import read_profile
from pipeline.control.limits import QUANTITIES, ControlLimits, control_limits
from pipeline.problem import SettingsProblem
from pipeline.profile.folder import profiles_folder
from tests.sources import SOURCES

TEXT = (profiles_folder() / "process_control.toml").read_text("utf-8")


def test_limits_are_the_published_ones():
    published, limits = SOURCES["control-limits"], control_limits()
    assert set(limits.of) == set(QUANTITIES)
    for name, limit in limits.of.items():
        assert [limit.action, limit.control, limit.both_ways] == published[name]
    assert limits.colour_spread == published["colour_spread"]
    assert "Z-131" in limits.source


def test_base_of_ordinary_film_is_the_published_range():
    spots = control_limits().spots
    assert spots.base_highest == tuple(SOURCES["d-min"]["highest"])
    assert spots.grey_card_red == tuple(SOURCES["grey-card"]["red"])


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
        read_profile(ControlLimits, path, "process profile")
    assert told in str(raised.value)
    assert math.isfinite(control_limits().colour_spread)
