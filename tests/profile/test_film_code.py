"""The table of film codes: what comes with evenroll, and what is refused."""

import re

import pytest
import zxingcpp

from pipeline.problem import Exit, SettingsProblem
from pipeline.profile.edge_film import load_film_table, profile_of_codes
from pipeline.profile.film import film_names

GOOD = """unknown = "generic"
[film."82-3"]
profile = "generic"
source = "a sheet"
"""


def table(folder, text):
    path = folder / "films.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_entry_has_a_source_a_profile_and_a_code_the_reference_can_print():
    told = load_film_table()
    assert told.unknown in film_names()
    for name, entry in told.film.items():
        assert entry.source
        assert entry.profile in film_names()
        # Reference: the encoder of zxing-cpp takes a film code without a frame number.
        code = zxingcpp.create_barcode(name, zxingcpp.BarcodeFormat.DXFilmEdge)
        assert code.text == name


def test_a_film_is_found_by_its_code(tmp_path):
    path = table(tmp_path, GOOD)
    films = load_film_table(path).film
    entry = films["82-3"]
    assert (entry.profile, entry.source) == ("generic", "a sheet")
    assert list(films) == ["82-3"]


def test_the_most_frequent_code_decides_and_unknown_ones_get_the_general_profile(
    tmp_path, monkeypatch
):
    monkeypatch.setattr("pipeline.profile.edge_film.film_names", lambda: ("generic", "other"))
    path = table(tmp_path, GOOD.replace('profile = "generic"', 'profile = "other"'))
    assert profile_of_codes([None, "82-3", "82-3", "5-1"], path) == "other"
    assert profile_of_codes(["5-1", None, "5-1", "82-3"], path) == "generic"
    assert profile_of_codes([None, None], path) == "generic"
    assert profile_of_codes([], path) == "generic"


@pytest.mark.parametrize(
    ("old", "new", "key", "reason"),
    [
        ('unknown = "generic"', "", "unknown", "is missing"),
        ('unknown = "generic"', 'unknown = "none"', "unknown", "is 'none', not one of"),
        ('unknown = "generic"', 'unknown = "generic"\nrest = 1', "rest", "is not known"),
        ('"82-3"', '"128-3"', "film.128-3", "not a film code"),
        ('"82-3"', '"82-16"', "film.82-16", "not a film code"),
        ('"82-3"', '"0-3"', "film.0-3", "not a film code"),
        ('"82-3"', '"082-3"', "film.082-3", "not a film code"),
        ('"82-3"', '"82-3/11"', "film.82-3/11", "not a film code"),
        ('profile = "generic"', 'profile = "fine"', "film.82-3.profile", "not one of"),
        ('source = "a sheet"', 'source = " "', "film.82-3.source", "is ' ', not a text"),
        ('source = "a sheet"', "", "film.82-3.source", "is missing"),
        ('source = "a sheet"', 'source = "a"\nmaker = "b"', "film.82-3.maker", "is not known"),
    ],
)  # fmt: skip
def test_a_wrong_table_is_refused_by_file_key_and_reason(tmp_path, old, new, key, reason):
    assert old in GOOD
    path = table(tmp_path, GOOD.replace(old, new, 1))
    told = rf"films\.toml: key '{re.escape(key)}' .*{re.escape(reason)}"
    with pytest.raises(SettingsProblem, match=told) as caught:
        load_film_table(path)
    assert caught.value.exit_code == Exit.WRONG_USAGE


@pytest.mark.parametrize(
    "text", ['unknown = "generic"\nfilm = 3', 'unknown = "generic"\n[film]\n"82-3" = 4']
)
def test_entries_must_be_tables(tmp_path, text):
    with pytest.raises(SettingsProblem, match="is not a table"):
        load_film_table(table(tmp_path, text))


def test_a_table_that_is_no_toml_or_is_missing_is_named(tmp_path):
    with pytest.raises(SettingsProblem, match=r"films\.toml: can't be read as a table"):
        load_film_table(table(tmp_path, "[film"))
    with pytest.raises(SettingsProblem, match=r"none\.toml: can't be read"):
        load_film_table(tmp_path / "none.toml")
