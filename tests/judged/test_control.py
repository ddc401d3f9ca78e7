from tests.judged.control import NORMAL, judged
from tests.judged.control_cases import FAULTS


def test_codes_are_found_and_normal_strips_are_left_alone():
    """Few strips of each fault; the whole table is printed by the module itself."""
    result = judged(5, seed=4)
    for code in {fault.code for fault in FAULTS}:
        assert result.share(code) >= 0.9
    assert result.share(NORMAL) >= 0.98
    among = sum(result.among.values()) / sum(result.strips.values())
    assert among >= 0.9


def test_confidence_is_no_promise_that_is_broken():
    result = judged(5, seed=5, sizes=(1.2, 3.0))
    right, count = result.calibration(0.9, 1.01)
    assert count > 20
    assert right >= 0.9
