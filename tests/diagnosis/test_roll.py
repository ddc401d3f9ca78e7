"""Findings: what the densities of a roll say, and what they must not say together.

Densities are the film model's. That the edge print tells light from bath is common practice, no
source.
"""

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.diagnosis.roll import colour_findings, diagnose, roll_signs
from pipeline.diagnosis.shown import Shown
from pipeline.diagnosis.signs import SIGNS, RollSigns
from pipeline.dust.infrared import CrossTalk
from pipeline.kinds import as_triple
from pipeline.profile.film import MONOCHROME, find_film
from pipeline.profile.scanner import find_scanner
from pipeline.record.record import Finding
from pipeline.settings.settings import RollNotes
from pipeline.survey.strip import StripSurvey
from tests.film_model import Process, load_film, load_scanner
from tests.judged.fault_bank import drawn_roll, scene_pool
from tests.judged.fault_cases import FAULT_CASES
from tests.roll_schema import FINDING_CODES, SEVERITIES
from tests.sources import SOURCES
from tests.survey.surveyed import ABSOLUTE, RELATIVE, film_base, frame, strip

FILM = find_film("generic")
SOUND, WEAK = (0.9, 0.95, 1.0), (0.2, 0.2, 0.25)


@cache
def scenes():
    return scene_pool(24, 5)


def model_roll(
    process: Process | None = None, stops: float = 0.0, seed: int = 1, scanner: str = "scanner-a"
) -> list[StripSurvey]:
    """Return two strips with the densities that the film model gives 24 scenes."""
    rng = np.random.default_rng(seed)
    bands = load_scanner(scanner).weights
    drawn = drawn_roll(rng, load_film("film-a"), bands, process or Process(), stops, scenes())
    frames = [
        replace(
            frame(),
            thumbnail=picture.astype(np.float16),
            least=as_triple(np.percentile(picture, 1, axis=(0, 1))),
            median=as_triple(np.median(picture, axis=(0, 1))),
            most=as_triple(np.percentile(picture, 99, axis=(0, 1))),
        )
        for picture in drawn.frames
    ]
    base = film_base(drawn.patches.base)
    return [
        strip(part, print_density=drawn.patches.edge_print, base=base)
        for part in (frames[:12], frames[12:])
    ]


def found(strips, notes: RollNotes | None = None, clipped: bool = False) -> tuple[Finding, ...]:
    return diagnose(strips, roll_signs(strips), FILM, notes or RollNotes(), clipped)


def codes(*args: object, **options: object) -> list[str]:
    return [finding.code for finding in found(*args, **options)]


def without_print(strips) -> list[StripSurvey]:
    return [replace(one, print_density=None) for one in strips]


def test_sound_roll_is_normal_alone():
    (finding,) = found(model_roll())
    assert finding.code == "normal"
    assert finding.evidence.startswith("24 pictures, median density ")
    assert "edge print" in finding.evidence
    assert "against the usual" in finding.evidence


# Of an unknown film these lie beyond what film and scanner may be by themselves; no others do.
CLEAR = ("under-exposed 3 stops", "under-developed 0.5", "fogged", "silver retained")
WITH_PICTURES = [n for n, c in FAULT_CASES.items() if c.exposed and c.process.development > 0]


@pytest.mark.parametrize("name", CLEAR)
@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b"])
def test_a_clear_fault_comes_first_on_its_roll(name, scanner):
    """Or, of a fog that scanner-b sees little of, as what a roll is that may as well be sound."""
    case = FAULT_CASES[name]
    first = found(model_roll(case.process, case.stops, scanner=scanner))[0]
    doubted = (name, scanner) == ("fogged", "scanner-b") and f" {case.code} (" in first.evidence
    assert first.code == case.code or doubted


@pytest.mark.parametrize("name", WITH_PICTURES)
@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b"])
def test_no_fault_is_taken_for_another(name, scanner):
    case = FAULT_CASES[name]
    first = found(model_roll(case.process, case.stops, scanner=scanner))[0]
    # Where two faults can't be told apart, the finding says so of both.
    named = f" {case.code} (" in first.evidence.partition("hardly sound")[2]
    assert first.code in (case.code, "normal") or named


# Beyond 1.5 stops a roll is called under-exposed: one of 2 stops and usual scenes lies near that.
@pytest.mark.parametrize("name", [n for n in WITH_PICTURES if n != "under-exposed 2 stops"])
@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b"])
def test_each_fault_comes_first_beside_a_good_roll(name, scanner):
    case = FAULT_CASES[name]
    aim = Shown(roll_signs(model_roll(seed=2, scanner=scanner)))
    strips = model_roll(case.process, case.stops, scanner=scanner)
    told = diagnose(strips, roll_signs(strips), FILM, RollNotes(), False, aim)
    assert told[0].code == case.code


def test_an_aim_of_another_film_or_resolution_is_said_and_not_used():
    aim = roll_signs(model_roll(seed=2))
    coded = [replace(one, edge_codes=(("115-4/11A", 0.0, 0.0),)) for one in model_roll()]

    def told(films: set[str], ppi: float | None) -> Finding:
        beside = Shown(aim, frozenset(films), ppi)
        return diagnose(coded, roll_signs(coded), FILM, RollNotes(), False, beside)[0]

    own = coded[0].ppi
    assert "not used" not in told({"115-4"}, own).evidence
    assert (
        "the aim is of film 81-3 by its edge, and this roll of 115-4"
        in told({"81-3"}, own).evidence
    )
    assert "pixels per inch" in told(set(), 2.0 * own).evidence
    assert "so it is not used" in told(set(), 2.0 * own).evidence


def test_an_aim_from_another_scanner_by_the_tags_of_scans_is_said_and_not_used():
    aim, name = roll_signs(model_roll(seed=2)), "Lampwright 2"
    tagged = [
        replace(one, scan=SimpleNamespace(encoding=one.scan.encoding, device_name=name))
        for one in model_roll()
    ]

    def told(*devices: str) -> str:
        beside = Shown(aim, ppi=tagged[0].ppi, devices=frozenset(devices))
        return diagnose(tagged, roll_signs(tagged), FILM, RollNotes(), False, beside)[0].evidence

    assert "the aim's scans name the scanner Lampwright 3, and this roll's Lampwright 2" in told(
        "Lampwright 3"
    )
    assert "not used" not in told("Lampwright 2")
    assert "not used" not in told()


def test_an_aim_that_may_be_of_another_film_is_used_where_codes_say_the_same():
    """Codes on both edges say that the film is one: what differs is then the roll's own."""
    signs, known = roll_signs(model_roll()), frozenset({"115-4"})
    base = SIGNS.index("base_blue")

    def told(shift: float, films: frozenset[str] = frozenset()) -> Finding:
        values = list(signs.values)
        values[base] += shift
        roll = Shown(RollSigns(tuple(values), signs.frames), films)
        return colour_findings(roll, Shown(signs, films))[0]

    first = next(
        shift for shift in np.arange(0.0, -0.3, -0.002) if refused(told(shift, frozenset()))
    )
    assert not refused(told(first, known))
    assert refused(told(-0.6, known))


def refused(finding: Finding) -> bool:
    return "the aim may be of another film or scanner (" in finding.evidence


def test_edge_print_tells_thin_development_from_thin_exposure():
    thin = model_roll(Process(contrast=(0.55,) * 3))
    assert codes(thin) == ["under-developed"]
    sound = model_roll()[0].print_density
    assert codes([replace(one, print_density=sound) for one in thin])[0] != "under-developed"
    dim = model_roll(stops=-2.5)
    assert codes(dim) == ["under-exposed"]
    sure, unsure = found(dim)[0], found(without_print(dim))[0]
    assert "no edge print in view" in unsure.evidence
    assert unsure.confidence <= sure.confidence


def test_a_good_roll_of_the_same_film_lets_small_faults_be_told():
    aim = Shown(roll_signs(model_roll(seed=2)))
    weak = model_roll(Process(contrast=(0.82,) * 3), seed=3)
    assert codes(weak) == ["normal"]
    told = diagnose(weak, roll_signs(weak), FILM, RollNotes(), False, aim)
    assert told[0].code == "under-developed"
    sound = model_roll(seed=4)
    told = diagnose(sound, roll_signs(sound), FILM, RollNotes(), False, aim)
    assert told[0].code == "normal"


def test_infra_red_that_shows_the_picture_speaks_for_silver():
    def seen(verdict: str, silver: float) -> Finding:
        strips = model_roll(Process(retained_silver=silver))
        talk = CrossTalk((0.3, 0.1, 0.1), verdict)
        return found([replace(one, cross_talk=talk) for one in strips])[0]

    def odds(verdict: str) -> float:
        finding = seen(verdict, 0.2)
        return finding.confidence if finding.code == "retained-silver" else 0.0

    assert odds("silver") > odds("dust")
    assert seen("dust", 0.0).code == "normal"


def test_blank_and_fogged_frames_are_not_judged_as_pictures():
    first, second = model_roll()
    empty = [frame(median=0.0, kind="blank")] * 9 + [frame(median=3.0, kind="fogged")] * 9
    strips = [replace(first, frames=(*first.frames, *empty)), second]
    assert codes(strips) == ["normal"]


def test_over_exposed_roll_is_not_normal_too():
    assert codes(model_roll(stops=3.5), clipped=True) == ["over-exposed", "scanner-clipped"]


@pytest.mark.parametrize(
    ("printed", "film_format", "edges", "told"),
    [
        (SOUND, "135", (True, True), "unexposed"),
        (None, "135", (True, True), "no-image"),
        (None, "135-half", (False, True), "no-image"),
        # Where no edge is in view, or on 120 film, a missing print says nothing.
        (None, "135", (False, False), "unexposed"),
        (None, "120-6x6", (True, True), "unexposed"),
    ],
)
def test_film_without_pictures(printed, film_format, edges, told):
    blank = strip(
        [frame(kind="blank")], print_density=printed, format=film_format, edges_seen=edges,
        base=film_base((0.21, 0.63, 0.88)),
    )  # fmt: skip
    (finding,) = found([blank])
    assert finding.code == told
    if printed is None and told == "unexposed":
        assert finding.confidence < 0.7
        assert "look much alike" in finding.evidence


def test_base_clearer_than_any_developed_film_tells_a_dead_developer():
    # The lowest red D-min is 0.14: sources.toml [d-min].
    bare = film_base((0.06, 0.40, 0.79))
    hidden = strip([frame(kind="blank")], base=bare, edges_seen=(False, False))
    assert codes([hidden]) == ["no-image"]


def test_no_strips_no_findings():
    assert codes([]) == []


def test_fog_over_the_published_range_of_bases_is_told():
    fogged = film_base(tuple(highest + 0.3 for highest in SOURCES["d-min"]["highest"]))
    finding = found([replace(one, base=fogged) for one in model_roll()])[0]
    assert (finding.code, finding.severity) == ("high-base", "warning")
    assert "0.59 / 1.05 / 1.30" in finding.evidence


@pytest.mark.parametrize("density", [(0.14, 0.40, 0.75), (0.21, 0.63, 0.88), (0.27, 0.72, 0.98)])
def test_published_bases_are_not_high(density):
    assert codes([replace(one, base=film_base(density)) for one in model_roll()]) == ["normal"]


def test_relative_base_says_nothing_of_fog():
    fogged = film_base((1.0, 1.5, 2.0), illumination=RELATIVE)
    strips = [replace(one, base=fogged) for one in model_roll()]
    assert codes(strips) == ["normal"]


def test_signs_are_of_status_m_densities_with_a_scanner_profile():
    scanner = find_scanner("broad-band")
    plain, standard = roll_signs(model_roll()), roll_signs(model_roll(), scanner)
    base = [SIGNS.index(f"base_{channel}") for channel in ("red", "green", "blue")]
    told = np.array(plain.values)[base] @ np.asarray(scanner.base_matrix).T
    assert np.array(standard.values)[base] == pytest.approx(told)


def test_one_silver_image_has_but_thin_and_dense():
    grey = replace(FILM, name=MONOCHROME)

    def told(median: float, printed: object) -> list[str]:
        strips = [strip([frame(median=median)] * 6, print_density=printed)]
        told = diagnose(strips, roll_signs(strips), grey, RollNotes(), False)
        return [one.code for one in told]

    assert told(0.05, SOUND) == ["under-exposed"]
    assert told(0.05, WEAK) == ["under-developed"]
    assert told(0.05, None) == ["under-exposed"]
    assert told(2.0, SOUND) == ["over-exposed"]
    assert told(0.7, SOUND) == ["normal"]


def test_scanner_that_changed_its_exposure_is_told_and_does_no_harm():
    bases = [film_base(light=(0.5, 0.2, 0.1)), film_base(light=(0.5, 0.1, 0.1))]
    strips = [
        replace(one, base=replace(one.base, light=base.light))
        for one, base in zip(model_roll(), bases, strict=True)
    ]
    normal, drift = found(strips)
    assert (normal.code, drift.code) == ("normal", "scanner-drift")
    # log10 2 = 0.30 in the green channel alone.
    assert "0.00 / 0.30 / 0.00" in drift.evidence
    assert codes([strips[0], strips[0]]) == ["normal"]


def test_frames_missing_leave_no_normal_roll():
    assert codes(model_roll(), RollNotes(expected_frames=36)) == ["frame-count"]


ROLLS = st.lists(
    st.builds(
        lambda medians, printed, light, kind, illumination: strip(
            [frame(median=median, kind=kind) for median in medians],
            print_density=printed,
            base=film_base((light, 1.0, 1.5), (light, light, 0.2), illumination),
        ),
        st.lists(st.floats(0, 3), max_size=6),
        st.sampled_from([None, SOUND, WEAK]),
        st.floats(0.01, 1.0),
        st.sampled_from(["picture", "partial", "blank", "fogged"]),
        st.sampled_from([ABSOLUTE, RELATIVE]),
    ),
    max_size=5,
)


@given(ROLLS, st.booleans(), st.none() | st.integers(1, 40))
def test_findings_hold_to_the_contract_whatever_the_roll(strips, clipped, expected):
    findings = found(strips, RollNotes(expected_frames=expected), clipped)
    told = [finding.code for finding in findings]
    assert set(told) <= FINDING_CODES
    assert len(set(told)) == len(told)
    assert ("scanner-clipped" in told) == clipped
    for finding in findings:
        assert 0.0 <= finding.confidence <= 1.0
        assert finding.evidence.endswith(".")
        assert finding.advice.endswith(".")
    if "normal" in told:
        assert told[0] == "normal"
        assert set(told) <= {"normal", "scanner-clipped", "scanner-drift"}
    rest = [SEVERITIES.index(f.severity) for f in findings if f.code != "normal"]
    assert rest == sorted(rest)
