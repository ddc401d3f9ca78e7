"""Frames held against what was expected, and numbers that the film's edge passes over."""

import pytest

from pipeline.diagnosis.finding import count_findings
from pipeline.record.record import Finding
from pipeline.settings.correction import FrameCorrection
from pipeline.settings.settings import RollNotes
from tests.survey.surveyed import frame, strip


def found(strips, notes: RollNotes) -> tuple[Finding, ...]:
    return tuple(count_findings(strips, notes))


@pytest.mark.parametrize(
    ("count", "expected", "film_format", "told"),
    [
        (6, 6, "135", "normal"),
        (6, None, "135", "normal"),
        (6, 7, "135", "frame-count"),
        (8, 7, "135", "frame-count"),
        # Rolls of 36 exposures give 36 to 39 frames, single-use cameras 27: common practice, no
        # source.
        (36, 36, "135", "normal"),
        (39, 36, "135", "normal"),
        (40, 36, "135", "frame-count"),
        (35, 36, "135", "frame-count"),
        (27, 27, "135", "normal"),
        (28, 27, "135", "frame-count"),
        (78, 72, "135-half", "normal"),
        (39, 36, "120-6x6", "frame-count"),
    ],
)
def test_frames_are_counted_against_what_was_expected(count, expected, film_format, told):
    strips = [strip([frame()] * count, format=film_format)]
    codes = [one.code for one in found(strips, RollNotes(expected_frames=expected))]
    assert codes == ([] if told == "normal" else [told])


@pytest.mark.parametrize(("pictures", "blanks"), [(20, 16), (36, 0), (30, 9), (36, 9)])
def test_blank_frames_may_count_or_not(pictures, blanks):
    frames = [frame()] * pictures + [frame(kind="blank")] * blanks
    assert not found([strip(frames)], RollNotes(expected_frames=36))


def edge_roll(*rows: str, film_format: str = "135") -> list:
    return [strip([frame(number) for number in row.split()], format=film_format) for row in rows]


@pytest.mark.parametrize(
    ("rows", "film_format", "missing"),
    [
        (["01 02 04", "05 06"], "135", "03"),
        (["01 02", "07 08"], "135", "03, 04, 05, 06"),
        # Frames drift against the edge numbers by half a number: nothing is passed over.
        (["01 02 03A 04A", "05A 06A"], "135", None),
        (["01A 02A 04A"], "135", "03"),
        (["01 01A 02A 03"], "135-half", "02"),
        (["X 00 03"], "135", "01, 02"),
        (["01 02 04", "05 06"], "135-square", None),
    ],
)
def test_numbers_that_the_edge_passes_over_are_named(rows, film_format, missing):
    (finding,) = found(edge_roll(*rows, film_format=film_format), RollNotes(expected_frames=24))
    count = sum(len(row.split()) for row in rows)
    assert finding.evidence.startswith(f"{count} frames found; 24")
    told = f" By the numbers on the film's edge there is no frame {missing}."
    assert finding.evidence.endswith(told if missing else "expected.")
    assert "[[frames]] in roll.toml" in finding.advice


def test_frames_too_many_are_told_with_what_may_be_wrong():
    blanks = [frame(kind="blank")] * 2
    strips = [strip([frame()] * 28 + blanks)]
    (finding,) = found(strips, RollNotes(expected_frames=24))
    assert finding.evidence == "30 frames found, 2 of them blank; 24 to 27 expected."
    assert "cut in two" in finding.advice


def test_frames_that_the_user_took_out_are_known():
    """Frame 05 dropped and 12 joined to 11: 36 of 38 are left, and nothing is missing."""
    corrections = (
        FrameCorrection(1, number="05", drop=True),
        FrameCorrection(2, number="11", merge_with=("12",)),
    )
    strips = (strip([frame()] * 36),)
    assert count_findings(strips, RollNotes(expected_frames=38))
    assert not count_findings(strips, RollNotes(expected_frames=38, frames=corrections))
    (left,) = count_findings(strips, RollNotes(expected_frames=40, frames=corrections))
    assert left.evidence.startswith("36 frames found; 40 expected.")
