import json
from dataclasses import replace
from datetime import date, timedelta

from pipeline.bath.batch import Batch, Use
from pipeline.bath.caution import cautions
from pipeline.bath.life import life
from pipeline.bath.wear import trend
from pipeline.bath.words import (
    MISSING,
    batch_document,
    chart_text,
    life_lines,
    list_document,
    list_text,
    show_text,
)
from tests.bath.test_wear import SPRING, worn

TODAY = date(2025, 6, 1)
STATED = Batch(
    "spring", mixed=date(2025, 5, 3), volume_ml=1000.0, life_days=42.0, life_rolls=16.0,
    temperature_c=37.8, time_s=195.0, compensation_percent_per_roll=2.0, notes="left shelf",
)  # fmt: skip


def test_a_batch_is_told_whole():
    uses = [
        replace(use, film="house 200", developed=date(2025, 5, 4) + timedelta(days=3 * place))
        for place, use in enumerate(worn(0.02, 8))
    ]
    text = show_text(STATED, uses, TODAY)
    assert text.startswith("spring: mixed 2025-05-03, 1000 ml, 37.8 °C, 3:15, 8 rolls done.\n")
    assert "Maker's life, as noted: 16 rolls or 42 days." in text
    assert "Notes: left shelf" in text
    row = next(line for line in text.splitlines() if line.startswith("07 "))
    assert row.split() == [
        "07", "2025-05-25", "house", "200", "7", "1", MISSING, MISSING, "0.61", "0.69", "0.78",
        MISSING,
    ]  # fmt: skip
    assert f"Trend: {chart_text(trend(STATED, uses))}" in text
    assert "Life: after 8 rolls it is probably spent" in text
    assert "Warning: under-developed" in text
    assert "takes 3:46 instead of 3:15" in text
    assert "no promise" in text


def test_what_cannot_be_told_is_said():
    text = show_text(SPRING, [], TODAY)
    assert text.startswith("spring: 0 rolls done.\n")
    assert "it leaves open how many more it does" in text
    assert "nothing can be told" in text
    assert "Follow the maker's sheet" in text
    assert "In rolls" not in text
    assert "Trend" not in text


def test_open_ends_are_words():
    told = life(SPRING, worn(-0.01, 8), TODAY)
    lines = life_lines(replace(told, rolls_low=12.0, until_low=TODAY))
    assert "In rolls: no end in sight; 90 % interval 12.0 up." in lines
    assert any(f"by the rolls' 90 % interval {TODAY} on." in line for line in lines)


def test_a_list_has_a_line_a_batch():
    entries = [STATED, Batch("autumn"), Use("spring", "1"), Use("spring", "2", rolls=0.5)]
    head, spring, autumn = list_text(entries, TODAY).splitlines()
    assert head.split() == ["batch", "mixed", "ml", "rolls", "left", "until", "state"]
    assert spring.split()[:4] == ["spring", "2025-05-03", "1000", "1.5"]
    told = life(STATED, entries[2:], TODAY)
    assert spring.split()[4:6] == [f"{told.rolls - 1.5:.0f}", str(told.until)]
    assert spring.endswith("should be good for another roll")
    assert autumn.endswith("leaves open how many more it does")
    listed = list_document(entries, TODAY)
    assert [(each["name"], each["rolls_done"], each["verdict"]) for each in listed] == [
        ("spring", 1.5, "good"), ("autumn", 0.0, "unknown"),
    ]  # fmt: skip


def test_a_document_is_json_and_tells_the_same():
    document = json.loads(json.dumps(batch_document(STATED, worn(0.02, 8), TODAY), allow_nan=False))
    told = life(STATED, worn(0.02, 8), TODAY)
    assert document["life"]["rolls"] == round(told.rolls, 6)
    assert document["life"]["keeps_until"] == "2025-06-14"
    assert document["rolls"][7]["rolls_before"] == 7.0
    assert document["rolls"][0]["edge_print"] == [0.7, 0.8, 0.9]
    assert document["trend"]["figure"] == "edge print"
    likely, low, high = document["trend"]["fall_per_roll"]
    assert low < likely < high
    assert document["findings"][0]["code"] == "under-developed"
    assert document["compensation"]["time_s"] == 195.0 * 1.16
    assert document["cautions"] == list(cautions().lines)
    empty = json.loads(json.dumps(batch_document(SPRING, [], TODAY), allow_nan=False))
    assert (empty["trend"], empty["rolls"], empty["findings"]) == (None, [], [])
