"""Findings made of weighed faults: what is told, in what order, with which words."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.diagnosis.finding import as_finding, fault_findings, finding_texts
from pipeline.diagnosis.model import Estimate, Weighed
from pipeline.diagnosis.signs import SIGNS, RollSigns

FAULTS = (
    "under-exposed", "over-exposed", "under-developed", "over-developed", "high-base",
    "retained-silver", "colour-crossover",
)  # fmt: skip


def signs(**changes: float) -> RollSigns:
    values = {name: math.log(0.61) for name in SIGNS}
    values |= {name: 0.4 for name in SIGNS if name.startswith("base_")}
    return RollSigns(tuple((values | changes)[name] for name in SIGNS), 12)


def weighed(unlike: float = 0.0, other_aim: float | None = None, **odds: float) -> Weighed:
    told = {code: 0.0 for code in (*FAULTS, "normal")}
    told |= {name.replace("_", "-"): value for name, value in odds.items()}
    degree = Estimate(-0.4, -0.6, -0.2)
    stops = Estimate(0.3, -0.2, 0.8)
    return Weighed(told, dict.fromkeys(told, degree), unlike, stops, (degree,) * 3, other_aim)


def codes(findings) -> list[str]:
    return [finding.code for finding in findings]


def test_the_likeliest_is_told_with_its_probability_and_figures():
    (finding,) = fault_findings(signs(), weighed(normal=0.03, under_developed=0.97))
    assert (finding.code, finding.confidence) == ("under-developed", 0.97)
    # exp(-0.4), exp(-0.6), exp(-0.2)
    assert "0.67 of the usual (0.55 to 0.82)" in finding.evidence
    assert "edge print 0.60 / 0.60 / 0.60 above base" in finding.evidence
    assert "It could also be" not in finding.advice


def test_the_next_likely_is_named_with_what_tells_it_apart():
    (finding,) = fault_findings(
        signs(), weighed(normal=0.05, under_developed=0.6, under_exposed=0.35)
    )
    tell = finding_texts()["under-exposed"].tell
    assert f"It could also be under-exposed (probability 0.35): {tell}." in finding.advice


def test_two_faults_at_once_are_both_told_likeliest_first():
    findings = fault_findings(signs(), weighed(under_exposed=0.8, high_base=0.9))
    assert codes(findings) == ["high-base", "under-exposed"]


def test_what_is_likelier_not_to_be_is_told_as_no_finding_of_its_own():
    findings = fault_findings(signs(), weighed(under_exposed=0.45, high_base=0.9))
    assert codes(findings) == ["high-base"]
    both = fault_findings(signs(), weighed(under_exposed=0.55, high_base=0.6))
    assert codes(both) == ["high-base", "under-exposed"]


@pytest.mark.parametrize(("other", "named"), [(0.05, False), (0.08, True)])
def test_one_in_twenty_is_no_doubt(other, named):
    (finding,) = fault_findings(signs(), weighed(under_developed=0.9, under_exposed=other))
    assert ("It could also be under-exposed" in finding.advice) is named


def test_a_roll_that_may_well_be_sound_has_all_that_may_be_named():
    (finding,) = fault_findings(
        signs(), weighed(normal=0.32, under_developed=0.4, under_exposed=0.2, high_base=0.08)
    )
    assert (finding.code, finding.confidence) == ("normal", 0.32)
    assert "under-developed (0.40) can't be told from normal (0.32)" in finding.evidence
    for code, probability in (
        ("under-developed", 0.4),
        ("under-exposed", 0.2),
        ("high-base", 0.08),
    ):
        tell = finding_texts()[code].tell
        assert f"{code} (probability {probability:.2f}): {tell}" in finding.advice
    assert "Nothing to do" not in finding.advice


@pytest.mark.parametrize("other_aim", [None, 0.01])
@pytest.mark.parametrize("normal", [0.04, 0.14, 0.28])
def test_what_is_hardly_sound_is_told_as_one_of_the_likeliest_faults(normal, other_aim):
    """No code has even odds, but both together have: the finding claims one of the two."""
    odds = {"normal": normal, "retained_silver": 0.44, "over_developed": 0.96 - normal - 0.44}
    (finding,) = fault_findings(signs(), weighed(other_aim=other_aim, **odds))
    first = "retained-silver" if normal > 0.08 else "over-developed"
    assert finding.code == first
    assert finding.confidence == pytest.approx(0.96 - normal)
    assert "the roll is hardly sound" in finding.evidence
    assert "can't be told from" in finding.evidence
    for code in ("retained-silver", "over-developed"):
        assert code in finding.evidence
    assert "give the record of a good roll of this film as --aim" in finding.advice or other_aim


def test_faults_are_named_until_they_are_together_likelier_than_not():
    odds = {
        "under_developed": 0.22,
        "under_exposed": 0.2,
        "high_base": 0.18,
        "retained_silver": 0.1,
    }
    (finding,) = fault_findings(signs(), weighed(normal=0.28, **odds))
    assert (finding.code, finding.confidence) == ("under-developed", 0.6)
    named = (
        "under-developed (0.22) can't be told from under-exposed (0.20) nor from high-base (0.18)"
    )
    assert named in finding.evidence
    assert "retained-silver" not in finding.evidence
    assert "or under-exposed (probability 0.20)" in finding.advice


@given(st.lists(st.floats(0.0, 1.0), min_size=8, max_size=8), st.sampled_from([None, 0.01]))
def test_no_fault_is_told_below_even_odds_and_no_roll_is_sound_below_its_bar(shares, other_aim):
    shares = np.array(shares) + 1e-3
    names = ("normal", *(code.replace("-", "_") for code in FAULTS))
    odds = dict(zip(names, (shares / shares.sum()).tolist(), strict=True))
    for finding in fault_findings(signs(), weighed(other_aim=other_aim, **odds)):
        least = 0.5 if finding.code != "normal" or other_aim else 0.3
        assert finding.confidence >= least - 0.005


@pytest.mark.parametrize(("normal", "code"), [(0.28, "under-developed"), (0.35, "normal")])
def test_alone_a_roll_that_may_well_be_sound_is_left_alone(normal, code):
    (finding,) = fault_findings(signs(), weighed(normal=normal, under_developed=1 - normal))
    assert finding.code == code
    named = "under-developed (0.65) can't be told from normal (0.35)"
    assert (named in finding.evidence) is (code == "normal")
    assert "--aim" in finding.advice


@pytest.mark.parametrize("code", ["under-exposed", "over-exposed"])
@pytest.mark.parametrize(("likely", "told"), [(0.48, False), (0.52, True)])
def test_of_exposure_even_odds_are_enough_without_an_aim(code, likely, told):
    odds = {code.replace("-", "_"): likely, "normal": 0.45, "high_base": 0.55}
    (finding,) = fault_findings(signs(), weighed(**odds))
    assert finding.code == (code if told else "normal")
    other = "normal after all (probability 0.45)" if told else f"{code} (probability 0.48)"
    assert other in finding.advice


def test_beside_a_good_roll_even_odds_are_enough():
    odds = {"under_developed": 0.6, "normal": 0.4}
    assert codes(fault_findings(signs(), weighed(**odds))) == ["normal"]
    assert codes(fault_findings(signs(), weighed(other_aim=0.01, **odds))) == ["under-developed"]


@pytest.mark.parametrize("other_aim", [None, 0.01])
@pytest.mark.parametrize(("normal", "clear"), [(0.55, False), (0.65, False), (0.72, True)])
def test_a_roll_that_may_as_well_have_a_fault_is_not_called_sound(normal, clear, other_aim):
    odds = {"normal": normal, "high_base": 1.0 - normal}
    (finding,) = fault_findings(signs(), weighed(other_aim=other_aim, **odds))
    assert finding.code == "normal"
    named = f"normal ({normal:.2f}) can't be told from high-base ({1.0 - normal:.2f})"
    assert (named in finding.evidence) is not clear
    assert ("no sure sign of a fault" in finding.evidence) is clear
    assert ("Nothing to do" in finding.advice) is clear
    assert "It could also be high-base" in finding.advice


def test_a_clear_roll_has_no_sign_of_a_fault_and_nothing_to_do():
    (finding,) = fault_findings(signs(), weighed(normal=0.97, high_base=0.03))
    assert finding.evidence.endswith("and no sign of a fault.")
    assert finding.advice == "Nothing to do."


def test_what_would_tell_is_what_is_not_in_view():
    hidden = {f"edge_print_{channel}": math.nan for channel in ("red", "green", "blue")}
    doubtful = {"normal": 0.4, "under_developed": 0.55}
    alone = fault_findings(signs(**hidden), weighed(**doubtful))[0].advice
    assert "--aim, or scan with the film's edges in view" in alone
    aimed = fault_findings(signs(**hidden), weighed(other_aim=0.01, **doubtful))[0].advice
    assert "To tell, scan with the film's edges in view." in aimed


def test_development_of_an_unknown_film_is_not_told_from_pictures_alone():
    hidden = {
        f"{part}_{channel}": math.nan
        for part in ("edge_print", "densest")
        for channel in ("red", "green", "blue")
    }
    (alone,) = fault_findings(signs(**hidden), weighed(normal=0.95))
    assert "development can't be told from pictures alone" in alone.evidence
    (aimed,) = fault_findings(signs(**hidden), weighed(other_aim=0.01, normal=0.95))
    assert "can't be told" not in aimed.evidence


def test_an_aim_that_is_not_used_is_said_with_its_reason():
    (finding,) = fault_findings(signs(), weighed(normal=0.95), "the aim is of film 81-3")
    assert finding.evidence.endswith("; the aim is of film 81-3, so it is not used.")


def test_beside_rolls_that_nobody_vouches_for_a_roll_that_may_be_sound_is_left_alone():
    odds = {"normal": 0.35, "under_developed": 0.65}
    (vouched,) = fault_findings(signs(), weighed(other_aim=0.01, **odds))
    (logged,) = fault_findings(signs(), weighed(other_aim=0.01, **odds), against="three rolls")
    assert (vouched.code, logged.code) == ("under-developed", "normal")
    assert logged.evidence.endswith("; held against three rolls.")
    assert "held against" not in vouched.evidence


def test_a_sound_roll_tells_its_exposure():
    (finding,) = fault_findings(signs(), weighed(normal=0.95))
    assert finding.code == "normal"
    assert "+0.3 stops (-0.2 to +0.8)" in finding.evidence


@pytest.mark.parametrize("code", FAULTS)
@pytest.mark.parametrize("hidden", [(), ("edge_print",), ("frame", "roll", "edge_print")])
def test_every_fault_has_evidence_in_one_sentence_whatever_is_in_view(code, hidden):
    blind = {name: math.nan for name in SIGNS if hidden and name.startswith(hidden)}
    (finding,) = fault_findings(signs(**blind), weighed(**{code.replace("-", "_"): 0.9}))
    assert finding.code == code
    assert finding.evidence.endswith(".")
    assert "nan" not in finding.evidence
    assert any(letter.isdigit() for letter in finding.evidence)
    assert finding.evidence.count(". ") == 0


def test_doubt_is_said_of_a_film_unlike_the_usual():
    (usual,) = fault_findings(signs(), weighed(unlike=0.4, under_developed=0.9, normal=0.1))
    assert "unlike the usual" not in usual.evidence
    (finding,) = fault_findings(signs(), weighed(unlike=0.95, under_developed=0.9, normal=0.1))
    assert "film or scanner are unlike the usual" in finding.evidence


def test_severity_and_advice_are_those_of_the_file():
    finding = as_finding("no-image", 0.8, "Nothing.")
    assert finding.severity == "fault"
    assert finding.advice.startswith("Check that the developer came first")
    assert all(text.severity in ("note", "warning", "fault") for text in finding_texts().values())
