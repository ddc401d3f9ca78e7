from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.check import read_profile
from pipeline.control import causes as process_fault
from pipeline.control.causes import rank_causes
from pipeline.control.fault_table import CODES, QUANTITIES, FaultTable, fault_table
from pipeline.control.limits import control_limits
from pipeline.control.readings import NOT_READ, ControlReading
from pipeline.control.series import deviation
from pipeline.problem import SettingsProblem
from pipeline.profile.folder import profiles_folder
from tests.judged.control_cases import FAULTS, aim, faulty_strip, normal_strip

AIM = aim()
TEXT = (profiles_folder() / "process_faults.toml").read_text("utf-8")
SLICES = {"d_min": slice(0, 3), "ld": slice(3, 6), "contrast": slice(6, 9), "d_max": slice(9, 12)}


@pytest.mark.parametrize("published", FAULTS, ids=lambda fault: fault.cause)
def test_each_published_fault_at_clear_size_is_among_the_first(published):
    """Directions of publication Z-131; amounts at random, four action limits large."""
    rng = np.random.default_rng(7)
    places, codes = [], []
    for _ in range(12):
        causes = rank_causes(deviation(faulty_strip(published, 4.0, rng), AIM))
        named = [cause.fault.cause.startswith(published.cause) for cause in causes.ranked]
        places.append(named.index(True))
        codes.append(next(iter(causes.by_code())))
    assert np.mean([place < 4 for place in places]) >= 0.9
    assert codes.count(published.code) >= 11


@given(st.integers(0, 10_000), st.floats(0.5, 8.0), st.sampled_from(FAULTS))
@settings(max_examples=30)
def test_probabilities_are_those_of_all_causes_together(seed, size, published):
    strip = faulty_strip(published, size, np.random.default_rng(seed))
    causes = rank_causes(deviation(strip, AIM))
    shares = [cause.probability for cause in causes.ranked]
    assert sum(shares) + causes.other + causes.normal == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert sum(causes.by_code().values()) == pytest.approx(sum(shares))
    assert all(-1.0 - 1e-9 <= cause.match <= 1.0 + 1e-9 for cause in causes.ranked)


def test_faults_that_go_the_same_way_are_as_probable():
    strip = faulty_strip(FAULTS[0], 4.0, np.random.default_rng(1))
    shares = {
        cause.fault.cause: cause.probability for cause in rank_causes(deviation(strip, AIM)).ranked
    }
    cool = shares["developer too cool, or too short a time in it"]
    assert shares["developer too dilute"] == pytest.approx(cool)


def test_a_strip_of_which_nothing_was_read_leaves_all_as_beforehand():
    empty = ControlReading("1", None, "")
    causes = rank_causes(deviation(empty, AIM))
    assert causes.normal == pytest.approx(fault_table().stray.normal)
    assert causes.unclear == pytest.approx(fault_table().stray.other_cause)
    shares = list(causes.by_code().values())
    assert shares == pytest.approx([shares[0]] * len(shares))


def test_one_quantity_s_likelihood_is_that_of_scipy():
    """Reference: scipy.stats.multivariate_normal, and a normal of 8 limits for slips."""
    rng = np.random.default_rng(5)
    off, observed = rng.normal(size=(4, 3)), rng.normal(size=3) * 4
    root = rng.normal(size=(4, 3, 3))
    cover = root @ root.swapaxes(1, 2) + np.eye(3)
    slip = stats.multivariate_normal(np.zeros(3), np.eye(3) * process_fault._SLIP**2).pdf(observed)
    expected = [
        np.log(
            (1 - process_fault._SLIPS) * stats.multivariate_normal(np.zeros(3), one).pdf(each)
            + process_fault._SLIPS * slip
        )
        for each, one in zip(off, cover, strict=True)
    ]
    assert process_fault._block(off, cover, observed) == pytest.approx(expected)


def test_chance_alone_is_that_of_scipy_and_counts_twice_where_the_first_strip_is_the_aim():
    """Reference: scipy.stats.multivariate_normal; D-min alone is read."""
    stray = fault_table().stray
    off = (0.01, 0.02, -0.01)
    found = deviation(ControlReading("1", None, "", tuple(np.add(AIM.d_min, off))), AIM)
    limit = control_limits().of["d_min"].action
    one = stray.control_share**2 + np.eye(3) * (
        stray.control_channel**2 + (stray.reading_density / limit) ** 2
    )
    observed, error = process_fault._features(found, stray)
    for times in (1.0, 2.0):
        told = process_fault._Read(observed, error, stray, times).log_in_control()
        expected = stats.multivariate_normal(np.zeros(3), times * one)
        assert told == pytest.approx(expected.logpdf(np.array(off) / limit))


def test_a_strip_at_its_aim_is_in_control_and_one_far_off_is_not():
    sound, first = rank_causes(deviation(AIM, AIM)), rank_causes(deviation(AIM, AIM), True)
    assert sound.normal > 0.95
    assert first.normal > 0.95
    rng = np.random.default_rng(3)
    for fault in FAULTS[:4]:
        strip = deviation(faulty_strip(fault, 4.0, rng), AIM)
        assert rank_causes(strip).normal < rank_causes(strip, True).normal < 0.2


def test_silver_is_ruled_out_by_what_was_read_only():
    bare = replace(AIM, d_max=NOT_READ, yellow=NOT_READ)
    read, unread = (rank_causes(deviation(strip, AIM)).by_code() for strip in (AIM, bare))
    assert unread["retained-silver"] > read["retained-silver"]


def test_no_fault_is_certain_of_a_strip_in_control():
    rng = np.random.default_rng(2)
    for _ in range(5):
        causes = rank_causes(deviation(normal_strip(rng), AIM))
        assert max(causes.by_code().values()) < 0.9


def fault_of(cause: str):
    (fault,) = [each for each in fault_table().fault if each.cause.startswith(cause)]
    return fault


@pytest.mark.parametrize("published", FAULTS, ids=lambda fault: fault.cause)
def test_directions_are_the_published_ones(published):
    """By a transcription kept apart from the table: sources.toml [fault-directions]."""
    fault = fault_of(published.cause)
    direction = fault_table().direction(fault)
    assert fault.code == published.code
    for quantity, way in published.ways.items():
        signs = np.broadcast_to(np.sign(way), 3)
        if quantity == "retained":
            assert np.sign(direction[-1]) == signs[0]
            continue
        # Where HD moves with LD, or more, the contrast between them goes the same way.
        place = SLICES["contrast" if quantity == "hd" else quantity]
        found = direction[place]
        assert np.sign(found[np.isfinite(found)]) == pytest.approx(signs[np.isfinite(found)])
        # What goes unnamed in the table is level in sources.toml [fault-directions], not a way.
        assert not signs[~np.isfinite(found)].any()


def test_all_published_faults_are_there_and_each_tells_what_to_do():
    table = fault_table()
    assert len(FAULTS) == 24
    assert len(table.fault) == len(FAULTS) + 3
    assert len({fault.cause for fault in table.fault}) == len(table.fault)
    assert "Z-131" in table.source
    for fault in table.fault:
        assert fault.code in CODES
        assert table.direction(fault).shape == (sum(QUANTITIES.values()),)
        assert not fault.remedy.endswith(".")
        assert not fault.tell.endswith(".")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('ld = "down"', 'ld = "sideways"', "'fault[0].ld' is 'sideways', not up, down"),
        ('ld = "down"', 'ld = ["down", "up"]', "'fault[0].ld' is not one word or 3"),
        ('ld = "down"', "ld = 1", "'fault[0].ld' is 1, not up"),
        ('ld = "down"', 'lde = "down"', "'fault[0].lde' is not known"),
        ('code = "under-developed"', 'code = "odd"', "'fault[0].code' is 'odd', not one of"),
        ("most = 1.6", "most = 0", "'strength.most' is 0, not a number"),
        ("other_cause = 0.08", "", "'stray.other_cause' is missing"),
        ("[[fault]]", "[fault]", "can't be read as a process profile"),
    ],
)
def test_wrong_tables_are_refused(old, new, told, tmp_path):
    path = tmp_path / "faults.toml"
    assert old in TEXT
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsProblem) as raised:
        read_profile(FaultTable, path, "process profile")
    assert told in str(raised.value)


def test_a_fault_that_moves_nothing_is_refused(tmp_path):
    head = TEXT.split("[[fault]]")[0]
    texts = 'cause = "a"\ncode = "high-base"\ntell = "b"\nremedy = "c"\n'
    path = tmp_path / "faults.toml"
    path.write_text(f'{head}\n[[fault]]\n{texts}ld = "level"\n', encoding="utf-8")
    with pytest.raises(SettingsProblem, match="moves nothing"):
        read_profile(FaultTable, path, "process profile")
    path.write_text(f"{head}\nfault = []\n", encoding="utf-8")
    with pytest.raises(SettingsProblem, match="'fault' is"):
        read_profile(FaultTable, path, "process profile")
