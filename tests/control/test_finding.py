from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from pipeline.control.finding import control_findings, triple_text
from pipeline.control.readings import NOT_READ
from pipeline.control.series import control_series
from tests.film_model import Process, film_names
from tests.judged.control_cases import AIM as DENSITIES
from tests.judged.control_cases import (
    FAULTS,
    aim,
    faulty_strip,
    model_strip,
    normal_strip,
    strip_of,
)

AIM = aim()


def found(*strips, against=AIM):
    return control_findings(control_series(strips, against))


def strip(name="1", **by):
    return strip_of(
        {patch: np.array(v) + by.get(patch, 0.0) for patch, v in DENSITIES.items()}, name
    )


def test_readings_at_the_aim_are_normal():
    (finding,) = found(strip())
    assert (finding.code, finding.severity) == ("normal", "note")
    assert finding.confidence >= 0.95
    assert finding.evidence == (
        "Strip 1 against the aim: D-min +0.00 / +0.00 / +0.00, LD +0.00 / +0.00 / +0.00, "
        "HD - LD +0.00 / +0.00 / +0.00, D-max - yellow, blue +0.00; within the action limits."
    )
    assert finding.advice == "Nothing to do."


def test_errors_of_reading_are_normal():
    rng = np.random.default_rng(3)
    codes = [found(normal_strip(rng))[0].code for _ in range(200)]
    # Of a reading error of 0.008 the least limit, 0.03, is 3.7 times as much.
    assert codes.count("normal") >= 199


def test_a_fault_is_told_with_figures_limits_and_how_to_tell_it_from_others():
    (finding,) = found(strip(ld=-0.07, hd=-0.19, d_max=-0.25, yellow=(0, 0, -0.24)))
    assert (finding.code, finding.severity) == ("under-developed", "fault")
    assert "HD - LD beyond the control limit of 0.09 in red, green, blue" in finding.evidence
    assert "LD beyond the action limit of 0.06" in finding.evidence
    assert "developer too cool" in finding.evidence
    assert finding.advice.startswith("Find out which it is, for a strip alone can't tell.")
    assert (
        "Developer too dilute? Tell it by this: it is there from the first film" in finding.advice
    )
    assert "; then mix the developer to the volume that the maker says." in finding.advice
    assert "Far less likely it is" in finding.advice


def test_what_else_it_could_be_is_said():
    findings = found(strip(ld=0.11, hd=0.24, d_max=0.33, yellow=(0, 0, 0.19)))
    assert findings[0].code == "over-developed"
    words = " ".join(each.advice for each in findings)
    assert "silver left in the whole image" in words
    assert "the yellow patch rises in red and green too" in words


# Processes of the film model, its densities in Status M by PyPI colormath: under-development in
# three degrees, over-development, fog, stain, silver left by the bleach, one layer's contrast.
PROCESSES = [
    ("under-developed", Process(contrast=(0.9,) * 3, speed=(-0.04,) * 3)),
    ("under-developed", Process(contrast=(0.8,) * 3, speed=(-0.1,) * 3)),
    ("under-developed", Process(contrast=(0.6,) * 3, speed=(-0.2,) * 3)),
    ("under-developed", Process(development=0.8)),
    ("over-developed", Process(contrast=(1.15,) * 3, speed=(0.05,) * 3)),
    ("high-base", Process(fog=(0.08,) * 3)),
    ("high-base", Process(stain=0.1)),
    ("retained-silver", Process(retained_silver=0.2)),
    ("retained-silver", Process(retained_silver=0.6)),
    ("colour-crossover", Process(contrast=(0.82, 1.0, 1.0))),
    ("colour-crossover", Process(contrast=(1.0, 1.0, 1.2))),
    ("no-image", Process(development=0.0)),
    ("normal", Process(contrast=(0.98,) * 3)),
]


@pytest.mark.parametrize("film", film_names()[:3])
@pytest.mark.parametrize(("code", "process"), PROCESSES)
def test_faults_of_the_film_model_come_first(film, code, process):
    findings = found(model_strip(process, film), against=model_strip(Process(), film))
    assert findings[0].code == code


def test_a_strip_without_an_image_is_no_contrast_fault():
    bare = replace(strip(), **{patch: AIM.d_min for patch in ("ld", "hd", "d_max", "yellow")})
    (finding,) = found(bare)
    assert (finding.code, finding.severity) == ("no-image", "fault")
    assert "developer came first" in finding.advice


def test_a_colour_spread_is_a_crossover_and_others_stay():
    findings = found(strip(ld=-0.1, hd=(-0.35, -0.22, -0.23), d_max=-0.2, yellow=(0, 0, -0.2)))
    codes = [each.code for each in findings]
    assert "colour-crossover" in codes
    assert "under-developed" in codes


def test_what_goes_no_published_way_is_said_not_to_be_told():
    findings = found(strip(d_min=(0.2, -0.2, 0.2), ld=(-0.3, 0.3, -0.3), hd=(-0.3, 0.3, -0.3)))
    assert "the cause can't be told from the strip" in findings[0].evidence
    assert findings[0].advice.startswith("Read the strip again")
    assert findings[0].confidence < 0.5


def test_the_first_strip_as_aim_is_said_and_lowers_confidence():
    (with_aim,) = found(strip("2"))
    (without,) = found(strip("1"), strip("2"), against=None)
    assert "against the first strip, for want of an aim" in without.evidence
    assert without.confidence < with_aim.confidence


def test_what_was_not_read_is_not_told():
    (finding,) = found(replace(strip(), d_max=NOT_READ, yellow=NOT_READ))
    assert "Not read: D-max - yellow, blue; nothing can be told of that." in finding.evidence
    strong = strip(ld=0.11, hd=0.24, d_max=0.33, yellow=0.19)
    (known, *_), (half, *_) = found(strong), found(replace(strong, yellow=NOT_READ))
    assert "Not read: D-max - yellow, blue" in half.evidence
    assert "Not read" not in known.evidence


def test_a_base_far_below_its_aim_is_another_film():
    (finding,) = found(strip(d_min=-0.1, ld=(-0.05, -0.05, -0.05), hd=-0.06))
    assert "D-min lies up to 0.10 below the aim" in finding.evidence
    assert "may be of different film" in finding.evidence


def test_a_trend_within_limits_is_told_before_a_limit_is_passed():
    strips = [
        replace(strip(str(k), ld=-0.01 * k, hd=-0.02 * k), date=datetime(2025, 5, k + 1))
        for k in range(6)
    ]
    (finding,) = found(*strips)
    assert finding.code == "normal"
    assert "Strip 5 of 2025-05-06 against" in finding.evidence
    assert "LD red has fallen on each of the last 6 strips, by 0.05" in finding.evidence
    assert "Look for the cause before a limit is passed" in finding.advice
    assert "developer" in finding.advice


def test_strips_before_that_were_beyond_are_counted():
    (finding,) = found(strip("1", hd=-0.2), strip("2", hd=-0.2), strip("3"))
    assert "Of the 2 strips before it, 2 lay beyond the action limits." in finding.evidence


def test_findings_hold_to_the_contract_whatever_the_fault():
    rng = np.random.default_rng(9)
    for fault in FAULTS:
        for size in (1.5, 6.0):
            findings = found(faulty_strip(fault, size, rng))
            assert findings
            for finding in findings:
                assert 0.0 < finding.confidence <= 1.0
                assert finding.severity in ("note", "warning", "fault")
                assert finding.evidence.endswith(".")
                assert finding.advice.endswith(".")


def test_no_strips_give_no_findings():
    assert control_findings(control_series([], AIM)) == ()
    assert triple_text((0.004, -0.004, float("nan"))) == "+0.00 / +0.00 / \N{EN DASH}"
