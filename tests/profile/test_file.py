"""Film profiles as files: what is written reads back as it was, by the standard library's TOML."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.profile.curve import LayerCurve, Shoulder
from pipeline.profile.file import profile_text
from pipeline.profile.film import GreyOnFilm, film_names, find_film, read_film

GENERIC = find_film("generic")


def reread(profile, folder, notes=()):
    path = folder / "written.toml"
    path.write_text(profile_text(profile, notes), "utf-8")
    return read_film(path)


@pytest.mark.parametrize("name", film_names())
def test_every_profile_reads_back(name, tmp_path):
    film = find_film(name)
    again = reread(film, tmp_path)
    exposure = 10.0 ** np.linspace(-3, 1, 9)
    for was, now in zip(film.curves, again.curves, strict=True):
        assert now.density(exposure) == pytest.approx(was.density(exposure), rel=1e-6, abs=1e-7)
    assert np.array(again.scene) == pytest.approx(np.array(film.scene), rel=1e-6)
    plain = {"curves": film.curves, "scene": film.scene}
    assert replace(again, **plain) == film


def test_a_grey_card_on_the_film_reads_back(tmp_path):
    sources = {**GENERIC.sources, "grey": "a card"}
    film = replace(GENERIC, grey=GreyOnFilm((0.61, 0.72, 0.5), 0.017), sources=sources)
    assert reread(film, tmp_path).grey == film.grey
    assert reread(film, tmp_path).sources["grey"] == "a card"


def test_codes_of_its_film_read_back(tmp_path):
    film = replace(GENERIC, film_codes=("12-3", "115-10"))
    assert reread(film, tmp_path) == reread(film, tmp_path, ["note"])
    assert reread(film, tmp_path).film_codes == film.film_codes


CURVES = st.builds(
    LayerCurve,
    slope=st.floats(0.3, 1.5),
    toe_exposure=st.floats(-4.0, 0.4).map(lambda exponent: 10.0**exponent),
    toe_power=st.floats(0.6, 3.5),
    shoulder=st.none()
    | st.builds(
        Shoulder,
        density=st.floats(0.6, 3.5),
        softness=st.floats(0.05, 0.9),
        slope=st.floats(0.05, 0.25),
    ),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(curves=st.tuples(CURVES, CURVES, CURVES), text=st.text(min_size=1).filter(str.strip))
def test_any_curves_and_any_words_read_back(tmp_path, curves, text):
    film = replace(GENERIC, curves=curves, iso=400, source=f"by {text}")
    again = reread(film, tmp_path, [text, ""])
    assert again.iso == 400
    assert again.source.startswith("by")
    for was, now in zip(curves, again.curves, strict=True):
        assert now.slope == pytest.approx(was.slope, rel=1e-6)
        assert now.toe_exposure == pytest.approx(was.toe_exposure, rel=1e-5)
        assert (now.shoulder is None) == (was.shoulder is None)


def test_notes_stand_on_top_as_comments():
    text = profile_text(GENERIC, ["first\nname = 'x'", "second"])
    assert text.splitlines()[:2] == ["# first name = 'x'", "# second"]
    assert tomllib.loads(text)["name"] == "generic"


def test_quotes_and_backslashes_are_kept(tmp_path):
    film = replace(GENERIC, name='a "b" \\ c', source='\\"')
    again = reread(film, tmp_path)
    assert (again.name, again.source) == (film.name, film.source)


def test_a_curve_without_a_form_is_refused():
    class Other:
        slope = 1.0

    with pytest.raises(TypeError, match="Other"):
        profile_text(replace(GENERIC, curves=(Other(), *GENERIC.curves[1:])))
