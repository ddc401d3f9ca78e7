import json
import re
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from pipeline.bath.batch import Batch, Use
from pipeline.bath.log import BathLog
from pipeline.bath.words import cautions
from pipeline.command import cli, diagnose
from pipeline.problem import OutputProblem
from pipeline.record.document import edge_films
from tests.conftest import Run, states

STRIPS = """date,batch,strip,patch,red,green,blue
,,aim,d-min,0.23,0.62,0.90
,,aim,ld,0.75,1.16,1.42
,,aim,hd,1.58,2.04,2.43
,,aim,d-max,2.05,2.62,3.05
,,aim,yellow,,,2.75
2025-05-03,spring,1,d-min,0.23,0.62,0.90
2025-05-03,spring,1,ld,0.75,1.16,1.42
2025-05-03,spring,1,hd,1.58,2.04,2.43
2025-05-03,spring,1,d-max,2.05,2.62,3.05
2025-05-03,spring,1,yellow,,,2.75
"""
WORN = """2025-05-17,spring,2,d-min,0.23,0.62,0.90
2025-05-17,spring,2,ld,0.67,1.07,1.32
2025-05-17,spring,2,hd,1.40,1.83,2.20
2025-05-17,spring,2,d-max,1.85,2.38,2.80
2025-05-17,spring,2,yellow,,,2.54
"""


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(STRIPS + WORN, encoding="utf-8")
    return path


def test_readings_are_told_with_evidence_confidence_and_cautions_once(readings: Path, run: Run):
    ran = run("diagnose", readings)
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == f"{readings}:"
    assert re.match(r"  1\. under-developed \(fault, confidence (0\.9\d|1\.00)\)", lines[1])
    assert "LD -0.08 / -0.09 / -0.10" in lines[2]
    assert lines[3].startswith("     What to do: ")
    assert ran.out.count(cautions().head) == 1
    assert ran.out.rstrip().endswith(cautions().lines[-1])


def test_readings_in_control_bring_no_cautions(tmp_path: Path, run: Run):
    path = tmp_path / "strips.txt"
    path.write_text(STRIPS, encoding="utf-8")
    ran = run("diagnose", path)
    assert ran.code == 0
    assert re.search(r"1\. normal \(note, confidence (0\.9\d|1\.00)\)", ran.out)
    assert cautions().head not in ran.out


def test_json_of_one_input_is_a_document_and_of_two_a_list(readings: Path, run: Run):
    document = json.loads(run("diagnose", readings, "--json").out)
    assert (document["input"], document["kind"]) == (str(readings), "readings")
    assert document["findings"][0]["code"] == "under-developed"
    assert [strip["state"] for strip in document["control"]["strips"]] == [
        "in control", "beyond control",
    ]  # fmt: skip
    other = readings.with_name("other.csv")
    shutil.copy(readings, other)
    listed = json.loads(run("diagnose", readings, other, readings, "--json").out)
    assert [each["input"] for each in listed] == [str(readings), str(other)]


def test_a_bad_input_does_not_stop_the_others(readings: Path, tmp_path: Path, run: Run):
    bad = tmp_path / "bad.csv"
    bad.write_text("strip,patch,red\n1,ld,x\n", encoding="utf-8")
    ran = run("diagnose", bad, readings, tmp_path / "none.json")
    assert ran.code == 1
    assert f"{bad}: line 2 has 'x' in column 'red', which is no number" in ran.err
    assert "none.json: is not there; name the roll.json" in ran.err
    assert len(ran.err.splitlines()) == 2
    assert "under-developed" in ran.out
    assert "Traceback" not in ran.err
    strict = run("diagnose", bad, readings, "--strict")
    assert (strict.code, strict.out) == (3, "")
    assert run("diagnose", bad).code == 3
    assert run("diagnose", tmp_path / "nowhere").code == 3


def test_an_aim_may_be_a_file_of_its_own(readings: Path, tmp_path: Path, run: Run):
    aim = tmp_path / "aim.csv"
    aim.write_text("".join(STRIPS.splitlines(True)[:1]) + WORN, encoding="utf-8")
    ran = run("diagnose", readings, "--aim", aim, "--json")
    latest = json.loads(ran.out)["control"]["strips"][-1]
    assert latest["ld"] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no readings"),
        (STRIPS.replace(",,aim", "2025-05-01,,3"), "holds several strips and none is the aim"),
        ("patch,log h,red\nstep,-1,1\nstep,-2,1\n", "holds no aim"),
    ],
)
def test_a_wrong_aim_is_wrong_usage(text, told, readings: Path, tmp_path: Path, run: Run):
    aim = tmp_path / "aim.csv"
    aim.write_text(text, encoding="utf-8")
    ran = run("diagnose", readings, "--aim", aim)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


def test_a_chart_is_drawn_and_drawn_again_but_over_nothing_else(
    readings: Path, tmp_path: Path, run: Run
):
    svg, png = tmp_path / "chart.svg", tmp_path / "chart.PNG"
    assert run("diagnose", readings, "--chart", svg).code == 0
    assert ElementTree.parse(svg).getroot().tag.endswith("svg")
    assert run("diagnose", readings, "--chart", svg).code == 0
    assert run("diagnose", readings, "--chart", png).code == 0
    with Image.open(png) as image:
        assert image.format == "PNG"
    svg.write_text("<svg/>", encoding="utf-8")
    ran = run("diagnose", readings, "--chart", svg)
    assert (ran.code, ran.out) == (3, "")
    assert "was not written by evenroll" in ran.err
    assert svg.read_text("utf-8") == "<svg/>"


def test_findings_are_told_though_the_chart_cannot_be_written(
    readings: Path, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
):
    def full(path: Path, _plot: object) -> None:
        raise OutputProblem(path, "can't be written, the disk is full", "make room")

    monkeypatch.setattr(diagnose, "write_chart", full)
    ran = run("diagnose", readings, "--chart", tmp_path / "chart.svg")
    assert ran.code == 1
    assert "the disk is full" in ran.err
    assert "under-developed" in ran.out


def test_a_slip_in_the_chart_s_folder_is_told_before_all(readings: Path, tmp_path: Path, run: Run):
    chart = tmp_path / "none" / "chart.svg"
    ran = run("diagnose", readings, "--chart", chart)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == f"{chart}: its folder is not there; make it first, or correct --chart.\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--ppi", "2000"), "--ppi says how scans are read, and no scans are named"),
        (("--no-monochrome",), "--monochrome says how scans are read"),
        (("--bath-log", "log"), "--bath-log is about the batch of a roll, and no roll is named"),
        (("--aim", "good.json"), "--aim good.json is to hold against a roll, and no roll is named"),
        (("--json", "--verbose", "--strict"), ""),
    ],
)
def test_what_does_nothing_for_readings_is_refused(words, told, readings: Path, run: Run):
    ran = run("diagnose", readings, *words)
    assert ran.code == (2 if told else 0)
    assert ran.err.startswith(told)
    assert len(ran.err.splitlines()) == bool(told)


def test_readings_are_no_aim_of_a_roll(converted: Path, readings: Path, run: Run):
    ran = run("diagnose", converted / "roll.json", "--aim", readings)
    assert (ran.code, ran.out) == (2, "")
    assert "is to hold against readings, and no CSV file of them is named; leave it out" in ran.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("readings.csv", "--chart", "chart.pdf"), "give a name ending in .svg or .png"),
        (("roll.json", "--chart", "chart.svg"), "no CSV file of readings is named"),
        (("readings.csv", "b.csv", "--chart", "chart.svg"), "several CSV files are named"),
    ],
)
def test_a_chart_that_cannot_be_is_wrong_usage(words, told, readings, tmp_path, run, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ran = run("diagnose", *words)
    assert ran.code == 2
    assert told in ran.err


def test_a_chart_without_control_strips_is_told(tmp_path: Path, run: Run):
    path = tmp_path / "spots.csv"
    path.write_text("strip,patch,red,green,blue\n7,base,0.2,0.6,0.9\n", encoding="utf-8")
    ran = run("diagnose", path, "--chart", tmp_path / "chart.svg")
    assert ran.code == 1
    assert "there are no control strips to draw" in ran.err
    assert not (tmp_path / "chart.svg").exists()


@pytest.mark.parametrize("name", ["curve.svg", "curve.png"])
def test_a_wedges_curve_is_drawn_where_there_are_no_control_strips(
    name: str, tmp_path: Path, run: Run
):
    steps = [(0.15 * n, max(0.0, 0.15 * n - 0.4)) for n in range(20)]
    rows = [f"w,step,{at - 3:.2f},{0.2 + 0.6 * over:.3f}" for at, over in steps]
    path, chart = tmp_path / "wedge.csv", tmp_path / name
    path.write_text("\n".join(["strip,patch,log_exposure,density", *rows]), encoding="utf-8")
    assert run("diagnose", path, "--chart", chart).code == 0
    assert run("diagnose", path, "--chart", chart).code == 0
    if name.endswith("svg"):
        assert "Characteristic curve" in chart.read_text("utf-8")
    else:
        with Image.open(chart) as image:
            assert image.size == (1280, 840)


@pytest.mark.parametrize("name", ["densities.svg", "densities.png"])
def test_densities_of_scans_are_drawn_where_there_are_no_strips(
    name: str, scans: Path, tmp_path: Path, run: Run
):
    spots, chart = tmp_path / "spots.csv", tmp_path / name
    spots.write_text("strip,patch,red,green,blue\n7,base,0.2,0.6,0.9\n", encoding="utf-8")
    words = [spots, scans] if name.endswith("svg") else [scans]
    ran = run("diagnose", *words, "--chart", chart)
    assert (ran.code, ran.err.count("chart")) == (0, 0)
    if name.endswith("png"):
        with Image.open(chart) as image:
            assert image.format == "PNG"
        return
    root = ElementTree.parse(chart).getroot()
    assert root.get("aria-label").startswith("Densities along the roll")
    # A file of its own has no tables under it.
    assert "table" not in root.get("aria-label")
    words = {text.text for text in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"11", "17", "strip 1", "strip 2"} <= words


def test_control_strips_come_before_densities_of_scans(
    readings: Path, scans: Path, tmp_path: Path, run: Run
):
    chart = tmp_path / "chart.svg"
    assert run("diagnose", scans, readings, "--chart", chart).code == 0
    alone = tmp_path / "alone.svg"
    assert run("diagnose", readings, "--chart", alone).code == 0
    assert chart.read_text("utf-8") == alone.read_text("utf-8")


def test_a_roll_record_gives_its_findings(converted: Path, run: Run):
    stored = json.loads((converted / "roll.json").read_text("utf-8"))["findings"]
    document = json.loads(run("diagnose", converted / "roll.json", "--json").out)
    assert document["kind"] == "record"
    assert sorted(map(str, document["findings"])) == sorted(map(str, stored))


def test_scans_are_surveyed_as_measure_does_and_nothing_is_written(scans: Path, run: Run):
    measured = json.loads(run("measure", scans, "--json").out)
    before = states(scans.parent)
    ran = run("diagnose", scans, "--json")
    assert ran.code == 0
    document = json.loads(ran.out)
    assert (document["input"], document["kind"]) == ("harbour", "scans")
    assert sorted(map(str, document["findings"])) == sorted(map(str, measured["findings"]))
    said = [f"{each['scan']}: {each['message']}" for each in measured["problems"]]
    assert document["problems"] == said
    assert states(scans.parent) == before


def test_scans_and_readings_together_with_a_scan_that_fails(scans: Path, readings: Path, run: Run):
    (scans / "strip-3.tif").write_bytes(b"")
    ran = run("diagnose", readings, scans, "--scan-gamma", "1")
    assert ran.code == 1
    assert "is empty" in ran.err
    assert ran.out.index(f"{readings}:") < ran.out.index("harbour:")
    assert run("diagnose", scans / "strip-3.tif").code == 3


def test_a_wrong_setting_for_scans_is_wrong_usage(scans: Path, run: Run):
    ran = run("diagnose", scans, "--profile", "no-such-film")
    assert ran.code == 2
    assert "no-such-film" in ran.err


def test_help_tells_every_word(run: Run):
    ran = run("diagnose", "--help")
    assert ran.code == 0
    options = {name for item in cli.evenroll.commands["diagnose"].params for name in item.opts}
    assert all(name in ran.out for name in options if name.startswith("-"))
    assert run("diagnose").code == 2


def thinned(record: Path, path: Path, share: float) -> Path:
    """Write a record whose film was developed to a share of the contrast; logarithms shift."""
    document = json.loads(record.read_text("utf-8"))
    signs = document["densities"]["signs"]
    for name, value in signs.items():
        if name != "pictures" and not name.startswith("base"):
            signs[name] = float(np.log(max(share * (np.exp(value) - 0.01), 0.0) + 0.01))
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_a_good_roll_may_be_the_aim(converted: Path, tmp_path: Path, run: Run):
    good = converted / "roll.json"
    weak = thinned(good, tmp_path / "weak.json", 0.8)
    told = json.loads(run("diagnose", weak, "--aim", good, "--json").out)["findings"]
    assert told[0]["code"] == "under-developed"
    same = json.loads(run("diagnose", good, "--aim", good, "--json").out)["findings"]
    assert same[0]["code"] == "normal"


def test_several_good_rolls_are_one_aim_unless_they_differ(
    converted: Path, readings: Path, tmp_path: Path, run: Run
):
    good = converted / "roll.json"
    weak = thinned(good, tmp_path / "weak.json", 0.8)
    thin, dense = (thinned(good, tmp_path / f"{s}.json", s) for s in (0.97, 1.03))
    told = json.loads(run("diagnose", weak, "--aim", thin, "--aim", dense, "--json").out)
    assert told["findings"][0]["code"] == "under-developed"
    document = json.loads(good.read_text("utf-8"))
    for strip in document["strips"]:
        strip["ppi"] *= 2
    thin.write_text(json.dumps(document), encoding="utf-8")
    ran = run("diagnose", weak, "--aim", good, "--aim", thin)
    assert (ran.code, ran.out) == (2, "")
    assert f"{thin}: is no aim beside {good}" in ran.err
    ran = run("diagnose", weak, "--aim", good, "--aim", readings)
    assert (ran.code, ran.out) == (2, "")
    assert "is one of several aims and no record of a roll" in ran.err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{}", "is not a roll record"),
        ('{"schema": 1, "strips": []}', "holds no pictures to aim by"),
        ('{"schema": 1, "strips": 7}', "holds no densities"),
    ],
)
def test_a_record_without_pictures_is_no_aim(text, told, converted, tmp_path, run: Run):
    aim = tmp_path / "aim.json"
    aim.write_text(text)
    ran = run("diagnose", converted / "roll.json", "--aim", aim)
    assert ran.code == 2
    assert told in ran.err


def test_rolls_of_the_log_stand_in_for_an_aim(converted: Path, tmp_path: Path, run: Run):
    good, log = converted / "roll.json", tmp_path / "bath.sqlite"
    weak = thinned(good, tmp_path / "weak.json", 0.7)
    document = json.loads(good.read_text("utf-8"))
    batch = (document["roll"].get("batch") or {}).get("name", "spring")
    (film, *_), told = edge_films(document), document["densities"]
    figures = {name: tuple(told[name]) for name in ("base", "edge_print")}
    uses = [Use(batch, f"r{n}", film=film, **figures) for n in range(3)]
    BathLog(log).write([Batch(batch), *uses], "new")
    first = json.loads(run("diagnose", weak, "--bath-log", log, "--json").out)["findings"][0]
    assert first["code"] == "under-developed"
    assert "held against what the log tells of this film (3 rolls)" in first["evidence"]
    aimed = run("diagnose", weak, "--bath-log", log, "--aim", good, "--json")
    assert "the log" not in json.loads(aimed.out)["findings"][0]["evidence"]


def test_the_log_of_batches_is_asked_for_the_rolls_batch(converted, tmp_path, run: Run):
    document = json.loads((converted / "roll.json").read_text("utf-8"))
    document["roll"]["batch"] = {"name": "spring"}
    path = tmp_path / "roll.json"
    path.write_text(json.dumps(document))
    log = tmp_path / "bath.sqlite"
    uses = [
        Use("spring", f"r{n}", edge_print=(1.0 - 0.03 * n,) * 3, film="colour 200")
        for n in range(8)
    ]
    BathLog(log).write([Batch("spring"), *uses], "new")
    told = run("diagnose", path, "--bath-log", log)
    assert "In batch 'spring' the edge print fell" in told.out
    assert told.out.count("safety data sheet") == 1
    missing = run("diagnose", path, "--bath-log", tmp_path / "none.sqlite")
    assert missing.code in (2, 3)
    assert "has no batch 'spring'" in missing.err
