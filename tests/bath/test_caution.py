"""Cautions for the chemistry."""

from pipeline.bath.caution import caution_text, cautions
from pipeline.profile import shipped


def test_cautions_defer_to_the_safety_data_sheet_and_local_rules_first():
    first = cautions().lines[0]
    assert "safety data sheet" in first
    assert "local rules" in first


def test_cautions_name_what_colour_chemistry_can_do():
    """Sensitisers, gloves, goggles, air, mixing, septic systems, silver: makers' data sheets."""
    text = caution_text()
    for word in ("allergy", "gloves", "goggles", "air the room", "mix", "septic", "silver"):
        assert word in text, word
    for word in ("dust", "fumes", "children", "food", "splash in the eye", "label"):
        assert word in text.lower(), word


def test_each_caution_says_where_it_comes_from():
    told = shipped("cautions.toml")["caution"]
    assert [each["text"] for each in told] == list(cautions().lines)
    assert all(each["source"] for each in told)


def test_text_has_a_line_for_each_caution_under_its_head():
    head, *lines = caution_text().splitlines()
    assert head == cautions().head + ":"
    assert [line.removeprefix("- ") for line in lines] == list(cautions().lines)
