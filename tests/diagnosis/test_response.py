"""The physical model of signs: what each fault must do to them, whatever the film."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.diagnosis.fit import fault_model
from pipeline.diagnosis.response import FAMILIES, Fault, response
from pipeline.diagnosis.signs import SIGNS
from tests.film_model import Process, load_film, load_scanner
from tests.film_model.dyes import spectral_density
from tests.fitted.photographs import photographs
from tests.sources import SOURCES


def signs(
    film: np.ndarray | None = None, log_exposure: float = -0.1, dark: float = 0.0, **degrees: float
):
    """Return signs by name of one roll, every unknown as usual but for film and scanner."""
    unknowns = fault_model().unknowns
    state = np.zeros((1, len(unknowns.spreads(1))))
    if film is not None:
        state[:, unknowns.film()] = film
    degree = {name: np.array([degrees.get(name, 0.0)]) for name in FAMILIES}
    fault = Fault(degree, np.array([log_exposure]), np.array([dark]))
    told = response(fault, unknowns.values(state))
    return dict(zip(SIGNS, told[0], strict=True))


def triple(told: dict[str, float], name: str) -> np.ndarray:
    """Return a triple as densities."""
    values = np.array([told[f"{name}_{channel}"] for channel in ("red", "green", "blue")])
    return values if name == "base" else np.exp(values) - 0.01


def films():
    unknowns = fault_model().unknowns
    spreads = unknowns.spreads(1)[unknowns.film()]
    return st.integers(0, 1000).map(
        lambda seed: np.random.default_rng(seed).normal(0.0, 0.7 * spreads)
    )


@given(films(), st.floats(0.1, 0.8))
@settings(max_examples=20)
def test_silver_is_the_same_density_in_all_channels(film, silver):
    before, after = signs(film), signs(film, silver=silver)
    more = triple(after, "edge_print") - triple(before, "edge_print")
    assert more == pytest.approx(silver * triple(before, "edge_print").mean())
    based = triple(after, "base") - triple(before, "base")
    assert np.ptp(based) == pytest.approx(0.0, abs=1e-9)
    assert based.min() > 0.0
    # Silver has no colour.
    assert after["frame_red_green"] == pytest.approx(before["frame_red_green"])
    assert after["frame_neutral"] > before["frame_neutral"]


@given(films(), st.floats(-0.7, 0.4))
@settings(max_examples=20)
def test_development_takes_print_pictures_and_colour_one_way(film, change):
    before, after = signs(film), signs(film, development=change)
    for name in SIGNS:
        if not name.startswith(("base", "roll", "densest_")):
            assert (after[name] - before[name]) * change >= -1e-12


def test_exposure_leaves_print_base_and_leader_alone():
    dim, usual = signs(log_exposure=-1.0), signs(log_exposure=-0.1)
    for name in ("edge_print", "base", "densest"):
        assert triple(dim, name) == pytest.approx(triple(usual, name))
    assert (triple(dim, "median") < 0.5 * triple(usual, "median")).all()


@pytest.mark.parametrize("dark", [0.5, 1.0])
def test_dark_subjects_thin_the_medians_and_leave_what_is_lit(dark):
    """Under-exposure takes as much from medians, but from what is lit too."""
    usual, night = signs(), signs(dark=dark)
    under = signs(log_exposure=-0.1 - dark)
    assert triple(night, "median") == pytest.approx(triple(under, "median"))
    lit = {name: triple(told, "median") + triple(told, "highlights")
           for name, told in (("usual", usual), ("night", night), ("under", under))}  # fmt: skip
    assert lit["night"] == pytest.approx(lit["usual"])
    assert (lit["under"] < lit["usual"] - 0.15).all()
    assert night["densest_pictures"] == pytest.approx(usual["densest_pictures"])


def test_fog_lifts_the_base_and_hardly_what_is_above_it():
    told, usual = signs(high_base=0.25), signs()
    assert triple(told, "base") - triple(usual, "base") == pytest.approx(0.25)
    above = triple(told, "edge_print") / triple(usual, "edge_print")
    assert (above > 0.9).all()
    assert (above <= 1.0).all()


def test_fog_of_one_layer_takes_from_that_layer_most():
    """What fog develops of a layer's grains no light can develop any more."""
    model = fault_model()
    unknowns = model.unknowns
    state = np.zeros((2, len(unknowns.spreads(1))))
    state[1, unknowns.places()["high_base"]] = (0.0, 0.0, 1.0)
    degree = {name: np.full(2, 0.3 * (name == "high_base")) for name in FAMILIES}
    even, blue = response(Fault(degree, np.full(2, -0.1)), unknowns.values(state))
    lost = np.array([even[SIGNS.index(f"edge_print_{c}")] for c in ("red", "green", "blue")])
    lost -= [blue[SIGNS.index(f"edge_print_{c}")] for c in ("red", "green", "blue")]
    assert lost.argmax() == 2
    assert lost[2] > 0.03


def test_light_struck_film_is_no_denser_for_fog_and_so_much_for_stain():
    """D-max of fog level, of a stain up: profiles/process_faults.toml, after Z-131's chart."""
    unknowns = fault_model().unknowns
    of = next(each for each in unknowns.of if each.name == "high_base_fill")
    spread = of.spreads(1)[0]
    state = np.zeros((2, len(unknowns.spreads(1))))
    state[:, unknowns.places()["high_base_fill"]] = [[-spread], [spread]]
    degree = {name: np.full(2, 0.25 * (name == "high_base")) for name in FAMILIES}
    stain, fog = response(Fault(degree, np.full(2, -0.1)), unknowns.values(state))
    usual = signs()
    places = [SIGNS.index(f"densest_{channel}") for channel in ("red", "green", "blue")]
    before = triple(usual, "densest")
    assert np.exp(stain[places]) - 0.01 == pytest.approx(before)
    # What is above the base falls by what the base rises.
    assert before - (np.exp(fog[places]) - 0.01) == pytest.approx(0.25, abs=0.03)


def test_long_development_raises_the_base_more_than_short_lowers_it():
    """Fog goes on to grow where pictures end; sources.toml [d-min]: a base is mostly not fog."""
    usual = triple(signs(), "base")
    longer = triple(signs(development=0.35), "base") - usual
    shorter = usual - triple(signs(development=-0.35), "base")
    assert (longer > 1.5 * shorter).all()
    assert (shorter > 0.0).all()
    least = usual - triple(signs(development=-3.0), "base")
    assert (least < SOURCES["d-min"]["lowest"]).all()


def test_a_usual_roll_has_published_base_and_grey():
    """Base: sources.toml [d-min]. Grey, near a card's red density: sources.toml [grey-card]."""
    told = signs(log_exposure=0.0)
    low, high = (SOURCES["d-min"][key] for key in ("lowest", "highest"))
    base = triple(told, "base")
    assert (base >= low).all()
    assert (base <= high).all()
    red = triple(told, "median")[0] + base[0]
    assert SOURCES["grey-card"]["red"][0] - 0.05 <= red <= SOURCES["grey-card"]["red"][1] + 0.05


def test_spreads_shrink_with_the_number_of_pictures_but_for_film_and_process():
    unknowns = fault_model().unknowns
    few, many = unknowns.spreads(4), unknowns.spreads(36)
    places = unknowns.places()
    assert (few[unknowns.film()] == many[unknowns.film()]).all()
    assert (few[places["key"]] > many[places["key"]]).all()
    assert (few[places["run_slope"]] == many[places["run_slope"]]).all()


def test_a_scanner_whose_bands_overlap_sees_mask_slope_and_leader_weaker_together():
    """By the film model's spectra: one film under narrow and under broad bands."""
    film = load_film("film-f")
    narrow, broad = (load_scanner(name).weights for name in ("scanner-d", "wide-camera"))

    def seen(bands: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        logs = np.array([[-9.0] * 3, [0.4] * 3, [2.6] * 3])
        spectra = spectral_density(film, Process(), film.develop(10.0**logs, Process()))
        base, printed, leader = -np.log10(10.0**-spectra @ bands.T)
        return base, np.log(printed - base), np.log(leader - base)

    fewer = [after - before for before, after in zip(seen(narrow), seen(broad), strict=True)]
    unknowns = fault_model().unknowns
    state = np.zeros(unknowns.film().stop)
    state[unknowns.places()["mask"]] = -1.0
    weaker, usual = signs(state), signs()
    for name, change in zip(("base", "edge_print", "densest"), fewer, strict=True):
        told = triple(weaker, name) - triple(usual, name)
        assert (told[1:] < 0.0).all()
        assert (change[1:] < 0.0).all()
    # Red sees some of what green and blue lose.
    assert fewer[0][0] > 0.0
    assert triple(weaker, "base")[0] > triple(usual, "base")[0]


@given(films())
@settings(max_examples=20)
def test_what_makes_a_film_steep_for_a_scanner_makes_its_leader_dense(film):
    unknowns = fault_model().unknowns
    steep = film.copy()
    steep[unknowns.places()["slope"].start] += 0.1
    more, usual = signs(steep), signs(film)
    for name in ("edge_print_green", "densest_green"):
        assert 0.05 < more[name] - usual[name] < 0.15


def test_tones_and_colours_of_photographs_spread_as_the_model_has_it():
    """In layer exposures; sources.toml [photographs], those that nothing was fitted on."""
    to_layers = load_film("film-a").picture_matrix().T
    neutral, red, blue = [], [], []
    for photograph in photographs(odd=True):
        logs = np.log10(np.maximum(photograph.colours @ to_layers, 0.002))
        extent = np.ptp(np.percentile(logs[:, 1], (1.0, 99.0)))
        tones = logs.mean(axis=1).std()
        neutral.append(np.log(tones / extent))
        red.append(np.log((logs[:, 0] - logs[:, 1]).std() / tones))
        blue.append(np.log((logs[:, 2] - logs[:, 1]).std() / tones))
    unknowns = {each.name: each for each in fault_model().unknowns.of}
    for name, ratios in (("neutral", neutral), ("red_green", red), ("blue_green", blue)):
        of = unknowns[name]
        assert np.mean(ratios) == pytest.approx(of.mean[0], abs=0.15)
        assert np.std(ratios) < 1.5 * of.spreads(1)[0]


def test_a_scene_that_reaches_further_spreads_tones_and_colours_alike():
    unknowns = fault_model().unknowns
    state = np.zeros((2, len(unknowns.spreads(1))))
    state[1, unknowns.places()["highlights"].start] = 0.4
    degree = {name: np.zeros(2) for name in FAMILIES}
    usual, further = response(Fault(degree, np.full(2, -0.1)), unknowns.values(state))
    change = dict(zip(SIGNS, further - usual, strict=True))
    assert change["frame_neutral"] > 0.1
    for name in ("frame_red_green", "frame_blue_green"):
        assert change[name] == pytest.approx(change["frame_neutral"], abs=0.06)


@pytest.mark.parametrize("reach", [-0.3, 0.0, 0.3])
def test_silver_takes_colour_from_tones_whatever_the_scene_reaches(reach):
    """Silver of a third of the dyes' density: tones by a third more, colours as they were."""
    unknowns = fault_model().unknowns
    state = np.zeros((2, len(unknowns.spreads(1))))
    state[:, unknowns.places()["highlights"].start] = reach
    degree = {name: np.array([0.0, 0.33 * (name == "silver")]) for name in FAMILIES}
    before, after = response(Fault(degree, np.full(2, -0.1)), unknowns.values(state))
    change = dict(zip(SIGNS, after - before, strict=True))
    assert change["frame_neutral"] == pytest.approx(np.log(1.33), abs=0.03)
    assert change["frame_red_green"] == pytest.approx(0.0, abs=1e-9)
