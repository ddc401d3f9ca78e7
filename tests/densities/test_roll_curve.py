"""The curve of a roll's film, from what lies on the roll."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.chart.chart import find_chart
from pipeline.densities.roll_curve import (
    BRIGHTEST,
    LUX_SECONDS,
    MIDDLE,
    NORMAL,
    FilmCurve,
    film_curve,
    film_curve_of_roll,
    unnamed_wedges,
)
from pipeline.problem import SettingsProblem
from pipeline.profile.film import find_film
from pipeline.profile.scanner import find_scanner
from pipeline.roll.record import record_of
from pipeline.roll.survey import survey_roll
from pipeline.settings.reference import read_bracket, read_references, read_wedge
from pipeline.settings.settings import Roll, RollNotes, Settings
from pipeline.survey.frame import FrameSurvey
from tests.chart.charted import frame_density
from tests.chart.wedged import GRID, DrawnWedge, neutral_curve, true_contrast, wedge_density
from tests.film_model import (
    Camera,
    FrameSpec,
    Process,
    StripSpec,
    load_film,
    make_scan,
    write_scan,
)
from tests.film_model import Roll as ModelRoll
from tests.film_model.dyes import base_dye, spectral_density
from tests.judged.curve import STOPS, kinds, measured
from tests.survey.surveyed import frame as made_up
from tests.survey.surveyed import strip

FILM, SCANNER = "film-b", "scanner-b"
WEDGE = {"frame": "01", "step": 0.15}


def shown(picture: np.ndarray) -> FrameSurvey:
    chart = find_chart(picture.astype(np.float32))
    return replace(made_up(), thumbnail=picture.astype(np.float16), chart=chart)


def curve_of(
    frames: list[FrameSurvey],
    notes: RollNotes | None = None,
    settings: Settings | None = None,
    **more: object,
) -> FilmCurve | None:
    rows = [tuple(f"{n:02}" for n in range(1, len(frames) + 1))]
    return film_curve_of_roll(
        [strip(frames)], rows, notes or RollNotes(), settings or Settings(), **more
    )


@pytest.fixture(scope="module")
def wedge() -> FrameSurvey:
    return shown(wedge_density(DrawnWedge(), FILM, SCANNER))


@pytest.fixture(scope="module")
def chart() -> FrameSurvey:
    return shown(frame_density(FILM, SCANNER, "chart"))


def test_a_wedge_gives_the_curve(wedge):
    curve = curve_of([wedge], RollNotes(wedge=read_wedge(WEDGE)))
    assert curve is not None
    assert (curve.how, curve.frames, curve.scale) == ("wedge", ("01",), BRIGHTEST)
    assert max(curve.log_exposure) == 0.0
    assert curve.contrast == pytest.approx(true_contrast(FILM, SCANNER), rel=0.04)
    assert max(curve.contrast_error) < 0.05
    assert curve.straight
    # Where middle grey lay is not known of it.
    assert curve.stops_faster is curve.speed.iso is None


def test_with_exposures_in_lux_seconds_there_is_a_speed(wedge):
    plain = curve_of([wedge], RollNotes(wedge=read_wedge(WEDGE)))
    told = curve_of([wedge], RollNotes(wedge=read_wedge(WEDGE | {"log_exposure": -0.4})))
    assert plain is not None
    assert told is not None
    assert told.scale == LUX_SECONDS
    assert told.speed.mean == pytest.approx(plain.speed.mean - 0.4, abs=1e-6)
    # ISO 5800:1987, from memory: S = sqrt(2) / H_m.
    assert told.speed.iso == pytest.approx(2.0**0.5 / 10.0**told.speed.mean)


def test_corners_are_obeyed(wedge):
    rows, columns = wedge.thumbnail.shape[:2]
    half = 0.15 * columns / rows
    corners = [[0.1, 0.5 - half], [0.9, 0.5 - half], [0.9, 0.5 + half], [0.1, 0.5 + half]]
    notes = RollNotes(wedge=read_wedge(WEDGE | {"steps": 21, "corners": corners}))
    curve = curve_of([wedge], notes)
    assert curve is not None
    assert curve.contrast == pytest.approx(true_contrast(FILM, SCANNER), rel=0.04)
    assert len(curve.log_exposure) == 21


def test_a_bracketed_card_gives_the_curve_and_the_speed_as_exposed():
    known = neutral_curve(FILM, SCANNER)
    frames = []
    for stops in STOPS:
        row = [np.interp(0.30103 * stops, GRID, known[:, n]) for n in range(3)]
        frames.append(shown(np.full((40, 60, 3), row)))
    table = {"frames": [f"{n:02}" for n in range(1, 8)], "stops": list(STOPS)}
    bracket = RollNotes(bracket=read_bracket(table))
    profile = find_film("generic")
    curve = curve_of(frames, bracket, profile=profile)
    assert curve is not None
    assert (curve.how, curve.scale) == ("bracket", NORMAL)
    assert curve.contrast == pytest.approx(true_contrast(FILM, SCANNER), rel=0.02)
    fast = read_bracket(table | {"stops": [stops - 1.0 for stops in STOPS]})
    faster = curve_of(frames, RollNotes(bracket=fast), profile=profile)
    assert faster is not None
    assert faster.stops_faster == pytest.approx(curve.stops_faster + 1.0, abs=0.01)


def test_a_chart_gives_the_curve_unless_the_user_says_no(chart, wedge):
    profile = find_film("generic")
    curve = curve_of([wedge, chart], profile=profile)
    assert curve is not None
    assert (curve.how, curve.frames, curve.scale) == ("chart", ("02",), MIDDLE)
    assert curve.contrast == pytest.approx(true_contrast(FILM, SCANNER), rel=0.03)
    assert curve.stops_faster == pytest.approx(0.0, abs=1.0)
    assert curve_of([wedge, chart], settings=Settings(reference=())) is None
    named = Settings(reference=read_references("02"))
    assert curve_of([wedge, chart], settings=named, profile=profile) == curve


def test_without_any_of_them_there_is_no_curve(wedge):
    assert curve_of([]) is None
    assert curve_of([], RollNotes(wedge=read_wedge(WEDGE))) is None
    assert curve_of([shown(frame_density(FILM, SCANNER, "coffee")), wedge]) is None


def test_a_wedge_that_nobody_named_is_told_of_but_not_guessed_at():
    steps = shown(frame_density(FILM, SCANNER, "steps"))
    coffee = shown(frame_density(FILM, SCANNER, "coffee"))
    rows = [("01", "02")]
    told = unnamed_wedges([strip([coffee, steps])], rows, RollNotes())
    assert len(told) == 1
    assert told[0].startswith("frame 02 seems to show a step wedge of 11 steps")
    assert unnamed_wedges([strip([coffee, steps])], rows, RollNotes(wedge=read_wedge(WEDGE))) == ()


@pytest.mark.parametrize(
    ("notes", "what"),
    [
        ({"wedge": read_wedge({"frame": "41", "step": 0.15})}, "no frame 41 for the wedge"),
        ({"wedge": read_wedge({"frame": "02", "step": 0.15})}, "no step wedge is found on frame"),
        (
            {
                "wedge": read_wedge({
                    "frame": "02", "step": 0.15, "steps": 9,
                    "corners": [[0.1, 0.1], [0.9, 0.1], [0.9, 0.4], [0.1, 0.4]],
                })
            },
            "the corners enclose in frame 02 is no wedge of 9 steps",
        ),
        (
            {"bracket": read_bracket({"frames": [1, 2, 3, 4], "stops": [0, 1, 2, 3]})},
            "no frame 03 for the bracket",
        ),
        (
            {
                "bracket": replace(
                    read_bracket({"frames": [1, 2, 3, 4], "stops": [0, 1, 2, 3]}), frames=("02",)
                )
            },
            "grey card on frame 02 is not even",
        ),
    ],
)  # fmt: skip
def test_what_can_t_be_used_is_told_with_what_to_do(wedge, notes, what):
    frames = [wedge, shown(frame_density(FILM, SCANNER, "coffee"))]
    with pytest.raises(SettingsProblem, match=what):
        curve_of(frames, RollNotes(**notes))


def test_readings_of_a_densitometer_are_taken_as_they_are():
    logs = np.arange(-2.0, 2.0, 0.15)
    known = np.add(neutral_curve(FILM, SCANNER), [0.2, 0.6, 0.9])
    density = np.column_stack([np.interp(logs, GRID, known[:, n]) for n in range(3)]).round(2)
    curve = film_curve(logs, density)
    assert curve is not None
    assert curve.how == "readings"
    assert curve.contrast == pytest.approx(true_contrast(FILM, SCANNER), rel=0.03)
    bases = [one.base_density for one in curve.channels]
    assert bases == pytest.approx([0.2, 0.6, 0.9], abs=0.02)
    assert film_curve(logs[:3], density[:3]) is None


def test_status_m_slopes_come_by_the_scanner_s_profile():
    # ISO 5-3 densities of the film model's own spectra, computed by the model.
    from tests.film_model.spectra import wavelengths_nm
    from tests.fitted.spectra import status_m_of_spectra

    film, process = load_film("film-a"), Process()
    logs = np.arange(-1.6, 1.7, 0.15)
    dye = film.develop(np.repeat(10.0 ** logs[:, None], 3, axis=1), process)
    base = spectral_density(film, process, base_dye(film, process))
    spectra = spectral_density(film, process, dye)
    truth = status_m_of_spectra(wavelengths_nm(), spectra) - status_m_of_spectra(
        wavelengths_nm(), base
    )
    want = film_curve(logs, truth)
    known = neutral_curve("film-a", "scanner-a")
    seen = np.column_stack([np.interp(logs, GRID, known[:, n]) for n in range(3)])
    curve = film_curve(logs, seen, scanner=find_scanner("narrow-band"))
    assert want is not None
    assert curve is not None
    assert curve.status_m == pytest.approx(want.contrast, rel=0.07)


@pytest.mark.parametrize(
    ("kind", "film", "scanner", "contrast"),
    [
        ("wedge", "film-e", "scanner-a", 1.0),
        ("bracket", "film-d", "scanner-b", 0.75),
        ("chart", "film-a", "scanner-c", 1.0),
    ],
)
def test_scans_give_the_film_s_contrast(kind, film, scanner, contrast):
    process = Process(contrast=(contrast,) * 3)
    camera = Camera(flare=0.003, vignetting_stops=0.2)
    found = measured(kinds()[kind], film, scanner, process, 4, 150.0, camera)
    assert found.curve is not None
    assert found.curve.how == kind
    assert np.abs(found.off).max() < 5.0


def test_a_roll_s_survey_has_the_curve_and_its_record_is_whole(tmp_path):
    roll = ModelRoll("film-b", [FrameSpec("steps"), FrameSpec("coffee")], first_number=1, seed=2)
    path = Path(write_scan(tmp_path, "s", make_scan([StripSpec(roll, 0, 2)], ppi=150.0)))
    with ThreadPoolExecutor(1) as executor:
        plain = survey_roll(Roll("r", (path,), RollNotes(), Settings()), executor, lambda e: None)
        notes = RollNotes(wedge=read_wedge({"frame": "01", "stops": 1}))
        told = survey_roll(Roll("r", (path,), notes, Settings()), executor, lambda e: None)
    assert plain.curve is None
    assert any("seems to show a step wedge" in trouble.message for trouble in plain.problems)
    assert told.curve is not None
    assert told.curve.contrast == pytest.approx(true_contrast("film-b", "scanner-a"), rel=0.05)
    assert "wedge" not in record_of(told).roll
