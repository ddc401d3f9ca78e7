import subprocess
import sys

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


def test_surveys_begin_before_what_writes_is_loaded():
    told = (
        "import sys; from pipeline.report import Beside;"
        "from pipeline.roll import Ahead, Journal, Wanted, standing, survey_roll, workers;"
        "late = {'jinja2', 'matplotlib', 'filelock', 'pipeline.report.roll_page'};"
        "late.add('pipeline.render.positive');"
        "print(late & set(sys.modules))"
    )
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "set()"
