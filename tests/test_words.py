import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.words import counted, natural_key, printable


@given(st.text())
def test_printable_text_is_one_line_and_stays_as_it_is(text: str):
    once = printable(text)
    assert once.isprintable()
    assert printable(once) == once


@pytest.mark.parametrize(("count", "told"), [(0, "0 rolls"), (1, "1 roll"), (2, "2 rolls")])
def test_counts_take_the_plural_where_it_belongs(count: int, told: str):
    assert counted(count, "roll") == told


@given(st.lists(st.integers(0, 10**12), unique=True), st.sampled_from(["", "strip-", "a 1 b"]))
def test_numbers_in_names_sort_as_numbers(numbers: list[int], before: str):
    names = [f"{before}{number}.tif" for number in numbers]
    ordered = sorted(names, key=natural_key)
    assert ordered == [f"{before}{number}.tif" for number in sorted(numbers)]


@given(st.lists(st.text(min_size=1)))
def test_any_names_can_be_sorted(found: list[str]):
    assert len(sorted(found, key=natural_key)) == len(found)
