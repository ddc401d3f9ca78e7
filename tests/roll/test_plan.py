import pytest

from pipeline.roll.plan import Wanted


@pytest.mark.parametrize(
    ("only", "number", "taken"),
    [
        ((), "07", True), (("07",), "07", True), (("7",), "07", True), (("07",), "07A", False),
        (("05-08",), "07A", True), (("5-8",), "07", True), (("05-08",), "09", False),
        (("05", "12-14"), "13", True), (("00",), "00", True), (("00",), "0", False),
        (("X",), "X", True), (("05-08",), "X", False), (("8-5",), "06", False),
    ],
)  # fmt: skip
def test_frames_are_named_by_number_or_span(only, number, taken):
    assert Wanted(only=only).takes(number) == taken
