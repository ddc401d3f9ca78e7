import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.readings import Spot
from pipeline.spot_finding import spot_findings
from tests.sources import SOURCES

# The edge print and the card: common practice, no source.
BASE = tuple(SOURCES["d-min"]["median"])
PRINT = (0.80, 1.30, 1.65)
CARD = (0.85, 1.30, 1.60)
PICTURE = (0.75, 1.20, 1.50)


def above(density, amount):
    return tuple(base + amount for base in density)


def found(aim=None, **places):
    def spots(film, densities):
        return [
            Spot(film, None, "", place.replace("_", "-"), density)
            for place, density in densities.items()
        ]

    return spot_findings(spots("7", places), spots("aim", aim or {}))


def codes(**places):
    return [finding.code for finding in found(**places)]


@pytest.mark.parametrize(
    ("edge_print", "picture", "expected"),
    [
        # Sound print and thin pictures: exposure. Weak print: development (common practice).
        (PRINT, PICTURE, ["normal"]),
        (PRINT, above(BASE, 0.1), ["under-exposed"]),
        (PRINT, above(BASE, 1.9), ["over-exposed"]),
        (PRINT, above(BASE, 0.0), ["unexposed"]),
        (above(BASE, 0.3), above(BASE, 0.1), ["under-developed"]),
        (above(BASE, 0.3), PICTURE, ["under-developed"]),
        (above(BASE, 1.6), above(BASE, 1.9), ["over-developed"]),
        (above(BASE, 0.01), above(BASE, 0.01), ["no-image"]),
    ],
)
def test_the_edge_print_tells_exposure_from_development(edge_print, picture, expected):
    assert codes(base=BASE, edge_print=edge_print, picture=picture) == expected


def test_without_the_edge_print_it_is_said_that_it_cannot_be_told():
    findings = found(base=BASE, picture=above(BASE, 0.1))
    assert [each.code for each in findings] == ["under-exposed", "under-developed"]
    for finding in findings:
        assert finding.confidence < 0.5
        assert "no edge print read" in finding.evidence
        assert "this can't be told from" in finding.evidence
        assert "Read the edge print" in finding.advice


@pytest.mark.parametrize(
    ("red", "code", "stops"),
    [(0.75, "normal", None), (0.95, "normal", None), (0.57, "under-exposed", "1.0 stops less"),
     (1.31, "over-exposed", "2.0 stops more")],
)  # fmt: skip
def test_a_grey_card_is_judged_by_its_published_red_density(red, code, stops):
    """0.75 to 0.95: sources.toml [grey-card]. 0.18 a stop is slope 0.6 times log10 2."""
    assert pytest.approx(0.18, abs=0.001) == 0.6 * math.log10(2)
    findings = found(base=BASE, edge_print=PRINT, grey=(red, *CARD[1:]))
    assert [each.code for each in findings] == [code]
    assert stops is None or stops in findings[0].evidence


def test_the_aim_s_edge_print_goes_before_the_usual_one():
    aim = {"base": BASE, "edge_print": above(BASE, 0.40)}
    assert codes(aim=aim, base=BASE, edge_print=above(BASE, 0.38)) == ["normal"]
    assert codes(aim=aim, base=BASE, edge_print=above(BASE, 0.30)) == ["under-developed"]
    assert codes(aim=aim, base=BASE, edge_print=above(BASE, 0.50)) == ["over-developed"]
    (finding,) = found(aim=aim, base=BASE, edge_print=above(BASE, 0.30))
    assert "75 % of the aim's" in finding.evidence


@pytest.mark.parametrize("aim", [None, {"base": BASE}])
def test_a_base_too_high_in_all_channels_is_fog_or_stain(aim):
    high = (0.40, 0.90, 1.15)
    assert codes(aim=aim, base=high, edge_print=above(high, 0.7)) == ["high-base"]
    # The highest D-min there is, and one channel alone: another film, no fog.
    assert codes(base=tuple(SOURCES["d-min"]["highest"]), edge_print=PRINT) == ["normal"]
    assert codes(aim=aim, base=(0.40, 0.63, 0.88), edge_print=PRINT) == ["normal"]


def test_each_film_is_judged_by_itself():
    spots = [
        Spot("a", None, "", "base", BASE),
        Spot("a", None, "", "edge-print", above(BASE, 0.2)),
        Spot("b", None, "", "base", BASE),
        Spot("b", None, "", "edge-print", PRINT),
    ]
    told = [(each.code, each.evidence.split(":")[0]) for each in spot_findings(spots, [])]
    assert sorted(told) == [("normal", "Film b"), ("under-developed", "Film a")]


def test_many_films_are_no_more_work_than_their_number():
    spots = [Spot(str(k), None, "", "base", BASE) for k in range(20_000)]
    assert len(spot_findings(spots, [])) == len(spots)


def test_a_print_without_a_base_is_not_judged():
    assert codes(edge_print=PRINT) == []
    assert codes(picture=PICTURE) == []


DENSITY = st.tuples(*[st.floats(0.0, 4.0) | st.just(math.nan)] * 3)
PLACES = st.dictionaries(st.sampled_from(["base", "edge_print", "grey", "picture"]), DENSITY)


@given(PLACES, PLACES)
def test_findings_hold_to_the_contract_whatever_was_read(places, aim):
    findings = found(aim=aim, **places)
    for finding in findings:
        assert 0.0 < finding.confidence < 1.0
        assert finding.evidence.endswith(".")
        assert finding.advice.endswith(".")
        assert "nan" not in finding.evidence
    confidences = [finding.confidence for finding in findings]
    assert confidences == sorted(confidences, reverse=True)


@given(st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_exposure_and_development_are_never_both_found_where_the_print_was_read(edge, picture):
    told = codes(base=BASE, edge_print=above(BASE, edge), picture=above(BASE, picture))
    assert len(told) <= 1
