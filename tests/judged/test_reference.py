"""A profile fitted to one roll's chart, judged on another roll of the film that has none to go by.

Independent reference: the chart's published reflectances (ISO 17321-1 set) and CIEDE2000, by
colour-science.
"""

from tests.judged.reference import row_of


def test_a_fitted_profile_is_worth_more_than_nothing_known(tmp_path):
    _, results = row_of(1, 150.0, tmp_path)
    same, other, none = (results[name].difference.mean() for name in ("same", "other", "none"))
    assert same <= 2.5
    assert other <= 3.0
    assert other < none
