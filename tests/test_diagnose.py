"""Findings: what the figures of a made-up roll say, and what they must not say together.

The reasoning by the edge print is common practice, no source.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.diagnose import diagnose, edge_print
from pipeline.film import find_film
from pipeline.record import Finding
from pipeline.settings import RollNotes
from tests.surveyed import RELATIVE, film_base, frame, strip

FILM = find_film("generic")
SOUND, WEAK = (0.8, 0.8, 0.9), (0.2, 0.2, 0.25)
# contract.md, 'Finding codes' and the severities of roll.json.
CODES = {
    "normal", "under-exposed", "over-exposed", "under-developed", "over-developed",
    "colour-crossover", "high-base", "retained-silver", "no-image", "unexposed", "light-leak",
    "frame-count", "scanner-clipped", "scanner-drift",
}  # fmt: skip
SEVERITIES = ("fault", "warning", "note")


def roll(median: float = 0.7, count: int = 6, printed: object = SOUND, **changes: object):
    return [strip([frame(median=median)] * count, print_density=printed, **changes)]


def found(strips, notes: RollNotes | None = None, clipped: bool = False) -> tuple[Finding, ...]:
    return diagnose(strips, FILM, notes or RollNotes(), clipped)


def codes(*args: object, **options: object) -> list[str]:
    return [finding.code for finding in found(*args, **options)]


def test_sound_roll_is_normal_alone():
    (finding,) = found(roll())
    assert finding.code == "normal"
    assert finding.evidence == "6 pictures with a median density of 0.70 above base."


@pytest.mark.parametrize(
    ("median", "printed", "code"),
    [
        (0.05, SOUND, "under-exposed"),
        (0.05, None, "under-exposed"),
        (0.05, WEAK, "under-developed"),
        (0.7, WEAK, "under-developed"),
        (2.0, SOUND, "over-exposed"),
        (0.7, None, "normal"),
    ],
)
def test_density_and_edge_print_together_tell_light_from_bath(median, printed, code):
    assert codes(roll(median, printed=printed)) == [code]


def test_without_the_edge_print_thin_pictures_are_told_with_less_confidence():
    # facts.md: from pictures alone, under-development and under-exposure look alike.
    (sure,) = found(roll(0.05))
    (unsure,) = found(roll(0.05, printed=None))
    assert unsure.confidence < 0.5 < sure.confidence
    assert "check the developer" in unsure.advice
    assert "no edge print" in unsure.evidence


def test_a_few_thin_pictures_make_no_thin_roll():
    frames = [frame(median=0.05)] * 2 + [frame(median=0.7)] * 4
    assert codes([strip(frames, print_density=SOUND)]) == ["normal"]


def test_blank_and_fogged_frames_are_not_judged_as_pictures():
    frames = [frame(median=0.0, kind="blank")] * 9 + [frame(median=3.0, kind="fogged")] * 9
    assert codes([strip([*frames, frame(kind="partial")], print_density=SOUND)]) == ["normal"]


def test_over_exposed_roll_is_not_normal_too():
    assert codes(roll(2.0), clipped=True) == ["scanner-clipped", "over-exposed"]


@pytest.mark.parametrize(
    ("printed", "film_format", "told"),
    [
        (SOUND, "135", ["unexposed"]),
        (None, "135", ["no-image"]),
        (None, "135-half", ["no-image"]),
        # 120 has no edge print that is read, so its absence says nothing.
        (None, "120-6x6", []),
    ],
)
def test_film_without_pictures(printed, film_format, told):
    blank = strip([frame(kind="blank")], print_density=printed, format=film_format)
    assert codes([blank]) == told


def test_no_strips_no_findings():
    assert codes([]) == []
    assert edge_print([]) is None


def test_edge_print_of_a_roll_is_the_median_of_those_read():
    densities = [(0.7, 0.8, 0.9), None, (0.8, 0.9, 1.0), (5.0, 5.0, 5.0)]
    strips = [strip(print_density=density) for density in densities]
    assert edge_print(strips) == pytest.approx((0.8, 0.9, 1.0))
    assert edge_print([strip()]) is None


def test_fog_over_the_published_range_of_bases_is_told():
    # Highest Status M D-min of the 14 published stocks: 0.29 / 0.75 / 1.00.
    fogged = film_base((0.29 + 0.3, 0.75 + 0.3, 1.00 + 0.3))
    (finding,) = found(roll(base=fogged))
    assert (finding.code, finding.severity) == ("high-base", "warning")
    assert "0.59 / 1.05 / 1.30" in finding.evidence


@pytest.mark.parametrize("density", [(0.14, 0.35, 0.73), (0.21, 0.63, 0.88), (0.29, 0.75, 1.00)])
def test_published_bases_are_not_high(density):
    assert codes(roll(base=film_base(density))) == ["normal"]


def test_relative_base_says_nothing_of_fog():
    fogged = film_base((1.0, 1.5, 2.0))
    assert codes(roll(base=fogged, illumination=RELATIVE)) == ["normal"]


def test_scanner_that_changed_its_exposure_is_told_and_does_no_harm():
    bases = [film_base(light=(0.5, 0.2, 0.1)), film_base(light=(0.5, 0.1, 0.1))]
    strips = [roll(base=base)[0] for base in bases]
    normal, drift = sorted(found(strips), key=lambda finding: finding.code)
    assert (normal.code, drift.code) == ("normal", "scanner-drift")
    # log10 2 = 0.30 in the green channel alone.
    assert "0.00 / 0.30 / 0.00" in drift.evidence
    assert codes([strips[0], strips[0]]) == ["normal"]


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
    strips = roll(count=count, format=film_format)
    assert codes(strips, RollNotes(expected_frames=expected)) == [told]


@pytest.mark.parametrize(("pictures", "blanks"), [(20, 16), (36, 0), (30, 9), (36, 9)])
def test_blank_frames_may_count_or_not(pictures, blanks):
    frames = [frame()] * pictures + [frame(kind="blank")] * blanks
    strips = [strip(frames, print_density=SOUND)]
    assert codes(strips, RollNotes(expected_frames=36)) == ["normal"]


def edge_roll(*rows: str, film_format: str = "135") -> list:
    return [
        strip([frame(number) for number in row.split()], print_density=SOUND, format=film_format)
        for row in rows
    ]


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
    strips = [strip([frame()] * 28 + blanks, print_density=SOUND)]
    (finding,) = found(strips, RollNotes(expected_frames=24))
    assert finding.evidence == "30 frames found, 2 of them blank; 24 to 27 expected."
    assert "cut in two" in finding.advice


ROLLS = st.lists(
    st.builds(
        lambda medians, printed, light, kind, illumination: strip(
            [frame(median=median, kind=kind) for median in medians],
            print_density=printed,
            base=film_base((light, 1.0, 1.5), (light, light, 0.2)),
            **illumination,
        ),
        st.lists(st.floats(0, 3), max_size=6),
        st.sampled_from([None, SOUND, WEAK]),
        st.floats(0.01, 1.0),
        st.sampled_from(["picture", "partial", "blank", "fogged"]),
        st.sampled_from([{}, {"illumination": RELATIVE}]),
    ),
    max_size=5,
)


@given(ROLLS, st.booleans(), st.none() | st.integers(1, 40))
def test_findings_hold_to_the_contract_whatever_the_roll(strips, clipped, expected):
    findings = found(strips, RollNotes(expected_frames=expected), clipped)
    told = [finding.code for finding in findings]
    assert set(told) <= CODES
    assert len(set(told)) == len(told)
    assert ("scanner-clipped" in told) == clipped
    for finding in findings:
        assert 0.0 < finding.confidence <= 1.0
        assert finding.evidence.endswith(".")
        assert finding.advice.endswith(".")
    if "normal" in told:
        assert set(told) <= {"normal", "scanner-clipped", "scanner-drift"}
    rest = [SEVERITIES.index(f.severity) for f in findings if f.code != "normal"]
    assert rest == sorted(rest)
