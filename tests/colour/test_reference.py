"""Colour from charts and grey cards on a roll."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.chart.chart import ChartReading, find_chart, patch_error
from pipeline.colour.fit import SeenChart, fit_profile
from pipeline.colour.light import doubted_profile, usual_light
from pipeline.colour.reference import (
    Reference,
    balanced,
    found_reference,
    named_reference,
)
from pipeline.colour.reference_frame import chart_trouble
from pipeline.colour.solve import solve_roll
from pipeline.colour.unmask import RollColour, from_profile, layer_exposure, scene_light
from pipeline.problem import SettingsProblem
from pipeline.profile.film import find_film
from pipeline.settings.reference import read_references
from pipeline.survey.frame import FrameSurvey
from tests.chart.charted import ASPECT, CORNERS, frame_density, held_patches
from tests.conftest import Run
from tests.film_model import Scene, chart, film_names, scanner_names
from tests.film_model.scene import CHART_IN_SCENE
from tests.film_model.spectra import colour_science
from tests.fitted.generic import chart_density
from tests.fitted.photographs import photographs
from tests.judged.motifs import frame_density as picture_density
from tests.judged.motifs import motif_frames, seen_film
from tests.judged.reference import scene_lab
from tests.survey.surveyed import frame as made_up

GENERIC = find_film("generic")
FILM, SCANNER = "film-e", "scanner-b"
GREY = 2.0
COLUMN = (np.arange(24) % 6)[:, None]
UNPLACED = np.zeros((4, 2)), np.zeros((24, 3)), 1.0


def frame(scene: str | Scene, stops: float = 0.0, light: str = "D55", seed: int = 0) -> FrameSurvey:
    picture = frame_density(FILM, SCANNER, scene, stops, light=light, seed=seed)
    thumbnail = picture.astype(np.float16)
    return replace(made_up(), thumbnail=thumbnail, chart=find_chart(picture))


@pytest.fixture(scope="module")
def frames() -> list[tuple[str, FrameSurvey]]:
    """Return a chart (01), a picture (02), a grey wall (03), a chart one stop over (04)."""
    scenes = (("chart", 0.0), ("coffee", 0.0), ("grey", 0.3), ("chart", 1.0))
    return [(f"{n:02}", frame(s, stops, seed=n)) for n, (s, stops) in enumerate(scenes, 1)]


@pytest.fixture(scope="module")
def solved() -> RollColour:
    """Return what pictures may have told of the film: about right for a grey in its middle."""
    grey = frame_density(FILM, SCANNER, "grey", noise=0.0)[5, 5][None]
    return replace(balanced(from_profile(GENERIC), grey), how="roll", confidence=0.8)


def difference(reading: ChartReading | None, colour: RollColour) -> np.ndarray:
    """Return CIEDE2000 of a chart's patches, its middle grey's lightness as published."""
    assert reading is not None
    light = scene_light(reading.densities, colour)
    xyz, want, _ = chart.reference_colours()
    luminance = light[21] @ colour_science().RGB_COLOURSPACES["ACEScg"].matrix_RGB_to_XYZ[1]
    return colour_science().delta_E(
        scene_lab(light * xyz[21, 1] / luminance), want, method="CIE 2000"
    )


@pytest.mark.parametrize("named", ["01", "04", ["01", "04"]])
def test_a_named_chart_sets_the_colour(frames, solved, named):
    reference = named_reference(read_references(named), frames, GENERIC, solved)
    assert reference.colour.how == "reference"
    assert reference.notes == ()
    for _, other in (frames[0], frames[3]):
        off = difference(other.chart, reference.colour)
        assert off.mean() < 2.5
        assert np.percentile(off, 95) < 6.0
        greys = layer_exposure(other.chart.densities[18:], reference.colour)
        assert np.abs(np.log10(greys / greys[:, 1:2])).max() < 0.04


@pytest.mark.parametrize("film", ["wide-a", "wide-g"])
def test_a_roll_has_the_colour_of_the_profile_that_its_chart_is_fitted_by(solved, film):
    """All but exposure: steep curves keep their shoulder where it was fitted."""
    read = find_chart(frame_density(film, "wide-filters", "chart"))
    assert read is not None
    there = [("01", replace(made_up(), chart=read))]
    colour = named_reference(read_references("01"), there, GENERIC, solved).colour
    fit = fit_profile([SeenChart(read.densities, patch_error(read))], GENERIC)
    wanted = scene_light(read.densities, from_profile(fit.profile))
    ratio = scene_light(read.densities, colour) / wanted
    assert ratio == pytest.approx(np.full((24, 3), ratio[21, 1]), rel=1e-6)


def test_the_clearer_of_two_charts_tells_more(solved):
    film, scanner, rng = "wide-d", "judge-diodes", np.random.default_rng(6)
    density, off = chart_density(film, scanner), []
    for _ in range(3):
        there = []
        for number, error in (("01", 0.02), ("02", 0.002)):
            read = density + rng.normal(0.0, error, (24, 3))
            told = ChartReading(read, *UNPLACED, rounding=np.full((24, 3), error))
            there.append((number, replace(made_up(), chart=told)))
        clean = ChartReading(density, *UNPLACED)
        named = (["01"], ["02"], ["01", "02"])
        colours = [
            named_reference(read_references(each), there, GENERIC, solved).colour for each in named
        ]
        off.append([difference(clean, colour).mean() for colour in colours])
    grainy, clear, both = np.mean(off, axis=0)
    assert clear < grainy
    # The mean of their matrices and curves lies halfway between the two.
    assert both < 0.7 * clear + 0.3 * grainy


def test_the_source_is_told_in_words(frames, solved):
    def source(*named: str) -> str:
        return named_reference(read_references(list(named)), frames, GENERIC, solved).source

    assert source("4") == "the chart on frame 04"
    assert source("1", "4") == "the charts on frames 01, 04"
    assert source("1", "3") == "the chart on frame 01 and the grey card on frame 03"


def test_a_named_grey_card_sets_the_balance_and_nothing_else(frames, solved):
    reference = named_reference(read_references("03"), frames, GENERIC, from_profile(GENERIC))
    plain = from_profile(GENERIC)
    colour = reference.colour
    assert colour.how == "reference"
    assert (colour.curves, colour.unmask, colour.scene) == (
        plain.curves, plain.unmask, plain.scene,
    )  # fmt: skip
    card = np.median(frames[2][1].thumbnail.astype(float).reshape(-1, 3), axis=0)
    layers = layer_exposure(card, colour)
    assert np.log10(layers / layers[1]) == pytest.approx(np.zeros(3), abs=0.01)
    assert colour.balance[1] == 0.0


def test_an_area_given_is_the_card(frames):
    left = np.concatenate([frames[2][1].thumbnail[:, :100], frames[1][1].thumbnail[:, 100:]], 1)
    there = [("05", replace(made_up(), thumbnail=left))]
    profile = from_profile(GENERIC)
    given = read_references({"frame": "05", "grey": [0.02, 0.1, 0.3, 0.9]})
    reference = named_reference(given, there, GENERIC, profile)
    want = named_reference(read_references("03"), frames, GENERIC, profile)
    assert reference.colour.balance == pytest.approx(want.colour.balance, abs=0.01)


def test_corners_given_are_obeyed(solved):
    seed = 21
    held = frame(Scene(CHART_IN_SCENE, seed=seed))
    corners = (held_patches(seed)[CORNERS, [1, 2, 3, 4]] + 0.5) / np.array([283, 189])
    unseen = [("07", replace(held, chart=None))]
    given = read_references({"frame": "07", "corners": corners.tolist()})
    reference = named_reference(given, unseen, GENERIC, solved)
    found = named_reference(read_references("07"), [("07", held)], GENERIC, solved)
    assert reference.colour.slopes() == pytest.approx(found.colour.slopes(), rel=0.03)
    assert pytest.approx(1.5) == ASPECT
    wrong = read_references({"frame": "07", "corners": [[0, 0], [0.2, 0], [0.2, 0.2], [0, 0.2]]})
    with pytest.raises(SettingsProblem, match="frame 07 is no 24-patch chart"):
        named_reference(wrong, unseen, GENERIC, solved)


@pytest.mark.parametrize(
    ("named", "what"),
    [
        ("41", "no reference frame 41 on the roll, which has frames 01 to 04; give the number"),
        ("02", "reference frame 02 shows no 24-patch chart, and no even card in its middle"),
        ({"frame": "02", "chart": True}, "no 24-patch chart is found in reference frame 02"),
        ({"frame": "02", "grey": [0.1, 0.1, 0.9, 0.9]}, "grey area in reference frame 02 is not"),
    ],
)
def test_what_can_t_be_used_is_told_with_what_to_do(frames, solved, named, what):
    with pytest.raises(SettingsProblem, match=what):
        named_reference(read_references(named), frames, GENERIC, solved)


@pytest.mark.parametrize("scene", ["gravel", "brick", "grass", "leaves"])
def test_what_has_a_pattern_is_refused_with_its_file(solved, scene):
    """The first three are scikit-image's pictures of textures."""
    there = [("05", frame(scene))]
    for named in (
        "05",
        {"frame": "05", "chart": False},
        {"frame": "05", "grey": [0.3] * 2 + [0.7] * 2},
    ):
        with pytest.raises(SettingsProblem, match=r"reference frame 05.* has a pattern") as told:
            named_reference(read_references(named), there, GENERIC, solved, {"05": Path("b.tif")})
        assert told.value.path == Path("b.tif")


@pytest.mark.parametrize("light", ["D55", "A"])
def test_what_a_card_changed_is_told_in_stops(frames, solved, light):
    card = [("05", frame("grey", light=light))]
    reference = named_reference(read_references("05"), card, GENERIC, solved)
    red, green, blue = np.subtract(reference.colour.balance, solved.balance) / np.log10(2.0)
    assert (abs(red) > 0.3) == (light == "A")
    assert reference.notes == (
        f"the grey card on frame 05 changed the balance by R {red:+z.2f}, G {green:+z.2f}, "
        f"B {blue:+z.2f} stops from what the roll's pictures tell",
    )
    both = named_reference(read_references(["01", "05"]), [*frames, *card], GENERIC, solved)
    assert "stops from what the chart tells" in both.notes[-1]


@pytest.mark.parametrize(
    ("tint", "light", "strange"),
    [((1, 1, 1), "D55", False), ((1, 1, 1), "D65", False), ((0.3, 0.7, 0.3), "D55", True),
     ((1, 1, 1), "A", True)],
)  # fmt: skip
def test_a_card_far_from_what_pictures_leave_open_is_told(solved, tint, light, strange):
    """A green wall is as even as a card, and a card by a lamp is no grey of the pictures."""
    sure = replace(solved, doubt_log_e=0.05)
    card = [("05", frame(Scene("grey", tint=tint), light=light))]
    notes = named_reference(read_references("05"), card, GENERIC, sure).notes
    assert ("see whether it is grey" in notes[0]) == strange
    # Pictures that tell little leave much open.
    unsure = replace(solved, doubt_log_e=0.5)
    vague = named_reference(read_references("05"), card, GENERIC, unsure).notes
    assert "see whether" not in vague[0]


def test_greys_that_look_alike_are_told():
    steps = np.linspace(1.4, 0.4, 6)[:, None] * np.ones(3)
    patches = np.concatenate([np.full((18, 3), 0.7), steps])
    assert chart_trouble(patches) is None
    over = patches.copy()
    over[18:21] = 1.4
    assert "over-exposed" in str(chart_trouble(over))
    under = patches.copy()
    under[21:] = 0.4
    assert "under-exposed" in str(chart_trouble(under))
    assert "can't be told apart" in str(chart_trouble(np.full((24, 3), 0.7)))


def test_a_clear_chart_is_taken_unasked(frames, solved):
    reference = found_reference(frames, GENERIC, solved)
    assert reference is not None
    assert reference.source == "the charts on frames 01, 04"
    assert reference.colour.how == "reference"
    assert difference(frames[0][1].chart, reference.colour).mean() < 2.5


def test_of_very_many_charts_those_that_fit_best_are_taken(solved):
    rng, density = np.random.default_rng(8), chart_density(FILM, SCANNER)
    grainy = {4, 9}
    there = []
    for place in range(14):
        read = density + rng.normal(0.0, 0.008 if place in grainy else 0.002, (24, 3))
        there.append((f"{place:02}", replace(made_up(), chart=ChartReading(read, *UNPLACED))))
    reference = found_reference(there, GENERIC, solved)
    assert reference is not None
    taken = ", ".join(number for number, _ in there if int(number) not in grainy)
    assert reference.source == f"the charts on frames {taken}"
    assert difference(ChartReading(density, *UNPLACED), reference.colour).mean() < 2.5


def test_a_chart_in_another_light_is_left_alone_and_noted(frames, solved):
    """CIE illuminant A is a tungsten lamp; D75 is shade."""
    lamp, shade = (("09", frame("chart", light=light)) for light in ("A", "D75"))
    assert lamp[1].chart is not None
    assert not usual_light(lamp[1].chart, GENERIC, solved)
    reference = found_reference([frames[1], lamp], GENERIC, solved)
    assert reference == Reference(solved, "", reference.notes)
    assert "frame 09" in reference.notes[0]
    assert usual_light(shade[1].chart, GENERIC, solved)
    # A whole roll by that lamp is another matter: its pictures agree with the chart.
    by_lamp = balanced(solved, lamp[1].chart.densities[20:22])
    assert usual_light(lamp[1].chart, GENERIC, by_lamp)


@pytest.mark.parametrize("film", film_names())
@pytest.mark.parametrize("scanner", scanner_names())
def test_daylight_is_told_from_a_lamp_on_any_film_and_scanner(film, scanner):
    """Whatever pictures say: those of a forest make a grey look magenta."""
    forest = replace(from_profile(GENERIC), balance=(0.3, 0.0, 0.3), how="roll")
    for light, usual in (("D55", True), ("D65", True), ("A", False)):
        chart = find_chart(frame_density(film, scanner, "chart", light=light))
        assert chart is not None
        assert usual_light(chart, GENERIC, forest) == usual


@pytest.mark.parametrize(
    ("film", "scanner"),
    [("wide-e", "judge-camera"), ("wide-g", "judge-camera"), ("wide-f", "judge-filters")],
)
@pytest.mark.parametrize("motif", ["few", "forest"])
def test_pictures_tell_a_lamp_where_the_profile_can_t(film, scanner, motif):
    """Worlds left out: broad bands of a camera make a lamp little warmer than films differ."""
    rng, seen = np.random.default_rng([3, *motif.encode()]), seen_film(film, scanner)
    frames = [
        picture_density(picture, seen, rng)
        for picture in motif_frames(motif, rng, photographs(odd=True))
    ]
    by_pictures = solve_roll(frames, GENERIC)
    for light, usual in (("D55", True), ("D65", True), ("A", False)):
        chart = ChartReading(chart_density(film, scanner, light=light), *UNPLACED)
        assert usual_light(chart, GENERIC, by_pictures) == usual


@pytest.mark.parametrize(
    ("film", "scanner"), [("wide-e", "judge-filters"), ("wide-d", "scanner-a")]
)
def test_a_profile_of_another_film_is_doubted_by_the_pictures(film, scanner):
    rng, seen = np.random.default_rng(5), seen_film("wide-e", "judge-filters")
    pool = photographs(odd=True)
    frames = [picture_density(each, seen, rng) for each in motif_frames("few", rng, pool)]
    chart_seen = SeenChart(chart_density(film, scanner))
    profile = replace(fit_profile([chart_seen], GENERIC).profile, name="mine")
    told = doubted_profile(profile, solve_roll(frames, GENERIC))
    assert (told is not None) == (film != "wide-e")
    assert told is None or "the film profile 'mine' has greys" in told


@pytest.mark.parametrize(
    ("spoilt", "why"),
    [
        (lambda density: np.where(COLUMN < 3, density, density + 0.45), "the edge of a shadow"),
        (lambda density: np.maximum(density - 0.95, 0.02), "is under-exposed"),
    ],
)
def test_a_chart_that_can_t_be_used_is_noted(solved, spoilt, why):
    """Half of it lies in the shade of two stops, or its dark greys in the toe."""
    density = spoilt(chart_density(FILM, SCANNER, 0.5))
    left = [("04", replace(made_up(), chart=ChartReading(density, *UNPLACED)))]
    reference = found_reference(left, GENERIC, solved)
    assert reference == Reference(solved, "", reference.notes)
    assert "the chart on frame 04" in reference.notes[0]
    assert why in reference.notes[0]
    assert reference.notes[0].endswith("sets no colour")


def test_a_roll_without_a_clear_chart_is_left_as_solved(frames, solved):
    assert found_reference(frames[1:3], GENERIC, solved) is None
    unsure = [(number, replace(f, chart=f.chart and replace(f.chart, confidence=0.7)))
              for number, f in frames]  # fmt: skip
    assert found_reference(unsure, GENERIC, solved) is None


def measured(run: Run, *words: object) -> dict:
    ran = run("measure", *words, "--json")
    assert ran.code == 0
    return json.loads(ran.out)["colour"]


def test_the_command_takes_a_chart_says_so_and_can_be_told_not_to(model_roll: Path, run: Run):
    taken = measured(run, model_roll)
    assert taken["how"] == "reference"
    assert taken["reference"] == "the charts on frames 11, 17"
    one = measured(run, model_roll, "--reference", "17")
    assert one["reference"] == "the chart on frame 17"
    assert one["gamma"] == pytest.approx(taken["gamma"], rel=0.03)
    left = measured(run, model_roll, "--reference", "none")
    assert left["how"] == "roll"
    assert "reference" not in left


def test_a_wrong_frame_is_wrong_usage(scans: Path, run: Run):
    ran = run("measure", scans, "--reference", "99")
    assert ran.code == 2
    assert "no reference frame 99 on the roll, which has frames 11 to 17" in ran.err
    (scans / "roll.toml").write_text('reference = "12"\n')
    ran = run("measure", scans)
    assert ran.code == 2
    assert ".tif: reference frame 12 shows no 24-patch chart" in ran.err
