import json
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.bath.batch import Batch, Use
from pipeline.bath.log import BathLog
from pipeline.control.readings import read_readings
from pipeline.diagnosis.diagnosis import (
    Diagnosis,
    aim_of_log,
    batch_diagnoses,
    diagnosis_of_readings,
    document_of,
    findings_of,
    ranked,
    text_lines,
    with_batch,
)
from pipeline.diagnosis.shown import shown_of_record
from pipeline.diagnosis.signs import SIGNS
from pipeline.problem import ScanProblem
from pipeline.record.record import Finding

HERE = Path("roll.json")
HEAD = "date,strip,patch,red,green,blue,log_exposure\n"
AIM = ",aim,d-min,0.23,0.62,0.90,\n,aim,ld,0.75,1.16,1.42,\n,aim,hd,1.58,2.04,2.43,\n"
FIRST = "2025-05-03,1,d-min,0.23,0.62,0.90,\n2025-05-03,1,ld,0.66,1.06,1.31,\n"
FIRST += "2025-05-03,1,hd,1.38,1.82,2.20,\n"
WEDGE = ",w,step,0.4,0.8,1.1,-2\n,w,step,0.9,1.3,1.6,-1\n"
SPOTS = ",7,base,0.21,0.63,0.88,\n,7,edge-print,0.4,0.8,1.1,\n"


def diagnosis(folder: Path, text: str, **options):
    path = folder / "readings.csv"
    path.write_text(HEAD + text, encoding="utf-8")
    return diagnosis_of_readings(read_readings(path), **options)


def finding(code="normal", severity="note", confidence=0.5):
    return Finding(code, severity, confidence, "Evidence.", "Advice.")


def test_control_strips_spots_and_wedges_are_joined_in_rank(tmp_path):
    found = diagnosis(tmp_path, AIM + FIRST + SPOTS + WEDGE)
    assert [each.code for each in found.findings] == ["under-developed"] * 2
    assert found.findings[0].confidence >= found.findings[1].confidence
    assert found.notes == ("Wedge w: 2 steps over 1.00 log exposure, too few for a curve.",)
    assert found.series.latest().reading.strip == "1"


def test_a_missing_aim_is_said_plainly(tmp_path):
    second = FIRST.replace("-03", "-09").replace(",1,", ",2,")
    found = diagnosis(tmp_path, FIRST + second)
    assert "No aim is given: strip 1 stands for it, and is not judged itself" in found.notes[0]
    with pytest.raises(ScanProblem, match="one control strip and no aim to hold it against"):
        diagnosis(tmp_path, FIRST)
    told = diagnosis(tmp_path, FIRST + SPOTS)
    assert "There is one control strip and no aim" in told.notes[0]
    assert [each.code for each in told.findings] == ["under-developed"]


def test_an_aim_given_goes_before_the_file_s_own(tmp_path):
    (tmp_path / "aim").mkdir()
    path = tmp_path / "aim" / "aim.csv"
    path.write_text(HEAD + AIM.replace("0.75,1.16,1.42", "0.66,1.06,1.31"), encoding="utf-8")
    aim = read_readings(path).aim
    assert diagnosis(tmp_path, AIM + FIRST).series.latest().ld == (-0.09, -0.10, -0.11)
    assert diagnosis(tmp_path, AIM + FIRST, aim=aim).series.latest().ld == (0.0, 0.0, 0.0)


def test_nothing_to_judge_is_a_problem(tmp_path):
    with pytest.raises(ScanProblem, match="holds nothing to judge"):
        diagnosis(tmp_path, AIM)


PIECES = st.sampled_from(
    ["nan", "-", "5", "1e5", "aim", "step 3", ";", ",", "\n", "\t", '"', "#", "\0", "é", "ld",
     "2025-13-01", "2025-05-03T10:00+02:00", "9" * 400, ""]
)  # fmt: skip


@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 6), PIECES), min_size=1, max_size=4))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damaged_readings_give_findings_or_one_sentence(tmp_path, slips):
    """Each slip puts a piece in the place of some letters of sound readings."""
    text = AIM + FIRST + SPOTS + WEDGE
    for place, letters, piece in slips:
        at = int(place * len(text))
        text = text[:at] + piece + text[at + letters :]
    try:
        found = diagnosis(tmp_path, text)
    except ScanProblem as problem:
        assert "\n" not in str(problem)  # noqa: PT017
        return
    json.dumps(document_of(found), allow_nan=False)
    assert text_lines([found])


def test_ranking_is_by_weight_then_confidence():
    mixed = [
        finding(),
        finding("a", "fault", 0.3),
        finding("b", "fault", 0.9),
        finding("c", "warning"),
    ]
    assert [each.code for each in ranked(mixed)] == ["b", "a", "c", "normal"]


def test_findings_of_a_record_are_those_stored():
    stored = [vars(finding("scanner-drift")), vars(finding("no-image", "fault", 0.9))]
    found = findings_of({"findings": stored}, HERE)
    assert [each.code for each in found] == ["no-image", "scanner-drift"]
    assert found[1] == finding("scanner-drift")


@pytest.mark.parametrize(
    "stored",
    [
        "x", {}, [None], [{}], [vars(finding()) | {"code": 3}],
        [vars(finding()) | {"severity": "dire"}], [vars(finding()) | {"confidence": "high"}],
        [vars(finding()) | {"confidence": 2}], [vars(finding()) | {"confidence": True}],
        [vars(finding()) | {"confidence": float("nan")}],
    ],
)  # fmt: skip
def test_a_record_with_other_findings_is_refused(stored):
    with pytest.raises(ScanProblem, match=r"roll.json: holds findings that make no sense"):
        findings_of({"findings": stored}, HERE)


def test_text_is_printable_and_numbers_the_findings():
    told = Diagnosis("a\x1b[2J", "record", (finding("x\ny"),), ("a\tnote",))
    lines = text_lines([told, Diagnosis("b", "record", ())])
    assert lines == [
        "a [2J:",
        "  a note",
        "  1. x y (note, confidence 0.50)",
        "     Evidence.",
        "     What to do: Advice.",
        "",
        "b:",
        "  No findings.",
    ]


def test_the_document_has_null_for_what_was_not_read(tmp_path):
    document = document_of(diagnosis(tmp_path, AIM + FIRST))
    assert set(document) == {"input", "kind", "findings", "notes", "problems", "control"}
    (strip,) = document["control"]["strips"]
    assert strip["ld"] == [-0.09, -0.10, -0.11]
    assert strip["retained"] is None
    assert (strip["date"], strip["state"]) == ("2025-05-03T00:00:00", "beyond control")
    assert document["control"]["aim_is_first"] is False


def record(median: float = 0.65, most: float = 1.1, printed: float = 0.95, **changes) -> dict:
    frame = {
        "kind": "picture",
        "density": {"min": [0.2] * 3, "median": [median] * 3, "max": [most] * 3},
    }
    strips = [{"base": {"absolute": True}, "frames": [frame] * 12}]
    told = {"base": [0.21, 0.63, 0.88], "edge_print": [printed] * 3}
    return {"strips": strips, "densities": told, "findings": []} | changes


def test_a_record_without_findings_on_the_film_is_weighed_by_its_densities():
    (sound,) = findings_of(record(), HERE)
    assert sound.code == "normal"
    # A thin edge print under thin pictures: common practice, no source.
    thin = findings_of(record(0.33, 0.6, 0.45), HERE)
    assert thin[0].code == "under-developed"
    drift = vars(finding("scanner-drift"))
    both = findings_of(record(findings=[drift]), HERE)
    assert [each.code for each in both] == ["normal", "scanner-drift"]


def test_stored_findings_on_the_film_stand_unless_there_is_an_aim():
    stored = record(0.65, 1.1, 0.95, findings=[vars(finding("retained-silver", "warning"))])
    assert [each.code for each in findings_of(stored, HERE)] == ["retained-silver"]
    aim = shown_of_record(record(), HERE)
    assert [each.code for each in findings_of(stored, HERE, aim)] == ["normal"]


def test_an_aim_lets_a_small_fault_be_told():
    aim = shown_of_record(record(), HERE)
    weak = record(0.65 * 0.82, 1.1 * 0.82, 0.95 * 0.82)
    assert findings_of(weak, HERE)[0].code == "normal"
    assert findings_of(weak, HERE, aim)[0].code == "under-developed"


def test_records_of_two_scanners_are_not_held_against_each_other():
    def scanned(device: str) -> dict:
        return record() | {"strips": [record()["strips"][0] | {"device": device}]}

    roll = scanned("Lampwright 2")
    for other, used in (("Lampwright 2", True), ("Lampwright 3", False)):
        (sound,) = findings_of(roll, HERE, shown_of_record(scanned(other), HERE))
        assert ("not used" not in sound.evidence) == used


def test_rolls_of_the_log_are_an_aim_for_their_film(tmp_path):
    """What the film's own rolls show tells a change that no unknown film would."""
    log = tmp_path / "bath.sqlite"
    uses = [
        Use("spring", f"r{n}", None, "gold", base=(0.21, 0.63, 0.88), edge_print=(printed,) * 3)
        for n, printed in enumerate((0.95, 0.94, 0.3))
    ]
    BathLog(log).write([Batch("spring"), *uses], "new")
    weak = record(0.65 * 0.75, 1.1 * 0.75, 0.95 * 0.75)
    assert findings_of(weak, HERE)[0].code == "normal"
    of_film = weak | {"roll": {"id": "r9", "film": "Gold", "batch": {"name": "spring"}}}
    aim = aim_of_log(log, of_film)
    assert aim is not None
    # One roll that went wrong among three is not heeded.
    assert aim.signs.values[SIGNS.index("edge_print_green")] == pytest.approx(math.log(0.95))
    first = findings_of(of_film, HERE, aim)[0]
    assert first.code == "under-developed"
    assert "held against what the log tells of this film (3 rolls)" in first.evidence


def test_no_aim_is_taken_of_the_roll_itself_of_other_films_or_beside_status_m(tmp_path):
    log = tmp_path / "bath.sqlite"
    use = Use("spring", "r1", None, "115-4", edge_print=(0.9,) * 3)
    BathLog(log).write([Batch("spring"), use], "new")
    coded = record()
    coded["strips"] = [{**coded["strips"][0], "edge_codes": [{"text": "115-4/11A"}]}]
    own = {"id": "r1", "batch": {"name": "spring"}}
    assert aim_of_log(log, coded) is not None
    assert aim_of_log(None, coded) is None
    assert aim_of_log(log, coded | {"roll": own}) is None
    assert aim_of_log(log, record(roll={"film": "gold"})) is None
    coded["strips"][0]["base"] = {"absolute": True, "status_m": [0.2, 0.6, 0.9]}
    assert aim_of_log(log, coded) is None


def test_a_record_of_silver_film_or_without_pictures_keeps_what_it_says():
    assert findings_of(record(profile="monochrome"), HERE) == ()
    assert findings_of(record(strips=[]), HERE) == ()


def test_densities_that_make_no_sense_are_refused_in_one_sentence():
    with pytest.raises(ScanProblem, match=r"roll.json: holds no densities as roll.json has them"):
        findings_of(record(strips=[{"frames": 3}]), HERE)


def test_a_worn_batch_is_told_and_leaves_no_normal_roll(tmp_path):
    log = tmp_path / "bath.sqlite"
    uses = [
        Use("spring", f"r{n}", edge_print=(1.0 - 0.03 * n,) * 3, film="colour 200")
        for n in range(8)
    ]
    BathLog(log).write([Batch("spring"), *uses], "new")
    normal = (finding(),)
    assert with_batch(normal, None, log) == normal
    assert with_batch(normal, {"name": "spring"}, None) == normal
    (worn,) = with_batch(normal, {"name": "spring"}, log)
    assert (worn.code, worn.severity) == ("under-developed", "warning")
    assert "batch 'spring'" in worn.evidence


def test_records_of_one_batch_show_its_wear_together(tmp_path):
    def path_of(number: int, fall: float, batch: str = "spring") -> Path:
        path = tmp_path / f"{batch}-{fall}-{number}.json"
        told = record(printed=1.0 - fall * number)
        notes = {"id": f"r{number}", "film": "colour 200", "batch": {"name": batch}}
        path.write_text(json.dumps({"schema": 1, "roll": notes, **told}))
        return path

    worn = [path_of(number, 0.03) for number in range(8)]
    steady = [path_of(number, 0.0, "autumn") for number in range(8)]
    nameless = tmp_path / "nameless.json"
    nameless.write_text(json.dumps({"schema": 1, "roll": {}, **record()}))
    (told,) = batch_diagnoses([*worn, nameless, *steady])
    assert (told.name, told.kind) == ("batch spring", "batch")
    assert told.findings[0].code == "under-developed"
