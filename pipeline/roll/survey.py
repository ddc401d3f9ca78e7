"""Survey of a roll: all its scans, the numbers of its frames, and the one colour over them."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from pipeline.colour import (
    FrameColour,
    Key,
    RollColour,
    brightened,
    colour_of_roll,
    frame_colours,
    profile_doubt,
    scene_light,
    trim_of,
    usual_exposure,
)
from pipeline.densities import FilmCurve, film_curve_of_roll, unnamed_wedges
from pipeline.event import Listener
from pipeline.kinds import HOLDS_PICTURE
from pipeline.numbering import (
    FrameNumber,
    Recut,
    film_code,
    film_codes,
    film_notes,
    in_film_order,
    number_roll,
    recut,
    with_roll_numbers,
)
from pipeline.profile import (
    MONOCHROME,
    FilmProfile,
    ScannerProfile,
    find_film,
    find_scanner,
    profile_of_codes,
    with_scanner,
)
from pipeline.record import ScanTrouble
from pipeline.render import PrintTone, roll_tone
from pipeline.roll.ahead import begin_again, finished_again
from pipeline.roll.coarse import coarse_note
from pipeline.roll.corrected import corrected
from pipeline.roll.habits import each_alone
from pipeline.roll.machines import give_back, workers
from pipeline.roll.scans import noted_as, put_away, scan_notes, survey_scans
from pipeline.roll.written import Written, turn_of, written
from pipeline.scan import ScanContent, begin_contents
from pipeline.settings import ROLL_FILE, Roll, Settings
from pipeline.strip import UNCLEAR, Kind, film_kind
from pipeline.survey import (
    FrameSurvey,
    LookStore,
    PictureStore,
    ScanSurvey,
    StripSurvey,
    picture_samples,
)
from pipeline.turn import AS_FOUND, Turn

Areas = Sequence[Sequence[Written]]


@dataclass(frozen=True)
class RollFrame:
    """One frame of a roll as found or corrected, its number, and its colour.

    `written` is what is written of it, and `turn` what is done to that last.
    """

    survey: FrameSurvey
    number: FrameNumber
    colour: FrameColour
    written: Written
    turn: Turn = AS_FOUND


@dataclass(frozen=True)
class SurveyedRoll:
    """All that is known of a roll before a picture is written.

    `frames` has a row for each strip. `tone` is that of all prints. `reference` says in words what
    chart or card the colour is from, None where there is none; `curve` is what a wedge, a bracket
    or a chart shows of the film; `contents` are those of scans that were begun to be hashed;
    `usual` is the exposure that single pictures are brought towards; `found` are the strips without
    any correction, their frames' keys set.
    """

    roll: Roll
    profile: FilmProfile
    strips: tuple[StripSurvey, ...]
    frames: tuple[tuple[RollFrame, ...], ...]
    colour: RollColour
    tone: PrintTone
    clipped: bool
    problems: tuple[ScanTrouble, ...]
    failed: int
    reference: str | None = None
    scanner: ScannerProfile | None = None
    curve: FilmCurve | None = None
    contents: Mapping[Path, Future[ScanContent]] = field(default_factory=dict)
    usual: Key | None = None
    found: tuple[StripSurvey, ...] = ()


def survey_roll(
    roll: Roll,
    executor: Executor,
    listen: Listener,
    known_hash: Callable[[Path], str | None] | None = None,
) -> SurveyedRoll:
    """Return the survey of all scans of a roll and the one colour solved from it.

    A scan that fails is listed in `problems`, and the others are done. What had to be assumed
    of several scans is told and listed once. Frames are as the user corrected them; the colour
    is solved from them as found, so that a correction leaves all other frames as they are.

    `known_hash` tells the hashes of scans' contents that are known; where it is given, others
    are taken on the way.

    Raises ScanProblem if the roll has no scans. Raises SettingsProblem if its film or scanner
    profile makes no sense, or a reference frame, a wedge or a bracket can't be used. Raises
    ClusterProblem if the cluster that does the work has gone.
    """
    if roll.problem is not None:
        raise roll.problem
    chosen = roll.settings.profile
    profile = None if chosen is None else find_film(chosen)
    seen_by = roll.settings.scanner_profile
    scanner = None if seen_by is None else find_scanner(seen_by)
    store, looks = PictureStore(), LookStore()
    surveys, problems = survey_scans(roll, executor, listen, store, looks)
    again = begin_again(roll.settings, surveys, executor, looks)
    # Workers read for hashes while others look again, and while the roll is solved.
    contents = begin_contents([survey.path for survey in surveys], executor, known_hash)
    surveys = each_alone(finished_again(surveys, again, partial(put_away, store=store)))
    give_back()
    found = with_roll_numbers(in_film_order([s for survey in surveys for s in survey.strips]))
    numbers = number_roll(found, roll.settings.first_number)
    plan = recut(roll.notes.frames, found, numbers)
    keyed = _keyed(found, numbers)
    strips, more = corrected(surveys, keyed, plan, roll, executor, listen, store)
    problems += more
    kind = _film_kind(found, strips) if roll.settings.monochrome is None else None
    grey = roll.settings.monochrome or kind == "monochrome"
    unknown = partial(_unknown_film, found, bool(grey), scanner)
    profile = unknown() if profile is None else with_scanner(profile, scanner)
    named = {key: number.number for key, number in plan.numbers.items()}
    told_as = tuple(tuple(named[str(frame.key)] for frame in strip.frames) for strip in strips)
    # What needs no colour is found by another thread while the colour is solved.
    with workers(1, None) as beside:
        begun_areas = beside.submit(_areas, strips, roll.settings)
        begun_wedges = beside.submit(unnamed_wedges, strips, told_as, roll.notes)
        begun_films = beside.submit(film_notes, found, numbers)
        begun_curve = beside.submit(
            film_curve_of_roll, strips, told_as, roll.notes, roll.settings, profile, scanner
        )
        colour, reference = colour_of_roll(keyed, strips, named, profile, roll.settings, bool(grey))
        usual = usual_exposure(found, colour, roll.settings)
        areas, wedges = begun_areas.result(), begun_wedges.result()
        of_films, curve = begun_films.result(), begun_curve.result()
    doubted = _other_film(found, profile)
    fitted = chosen is not None and not (grey or profile.drawn or profile.fixed)
    if fitted and colour.how == "roll" and doubted is None:
        doubted = profile_doubt(keyed, profile, unknown())
    # The solve of a long roll takes much for a while.
    give_back()
    frames, refused = _frames(strips, areas, plan, colour, usual, roll)
    noted = partial(noted_as, listen)
    notes = [
        *(
            replace(noted(ROLL_FILE, said), message=f"{said}.", kind="problem")
            for said in (*plan.troubles, *refused)
        ),
        *scan_notes(surveys, listen),
        *(noted(note.scan, note.message) for note in of_films),
        *(noted(roll.name, note) for note in (reference.notes if reference else ())),
        *(noted(roll.name, note) for note in (doubted,) if note),
        *(noted(roll.name, note) for note in wedges),
        *(noted(roll.name, note) for note in (coarse_note(strips),) if note and not grey),
        *(noted(s.scan.path.name, UNCLEAR) for s in found[:1] if kind == "unclear"),
        *(noted(name, _UNUSED_BASE) for name in _unused_base(roll.settings, surveys)),
    ]
    return SurveyedRoll(
        roll=roll,
        profile=profile,
        strips=strips,
        frames=frames,
        colour=brightened(colour, roll.settings.exposure),
        tone=tone_of_roll(found, colour, usual),
        clipped=any(survey.clipped for survey in surveys),
        problems=(*problems, *notes),
        failed=len(problems),
        reference=(reference.source or None) if reference else None,
        scanner=scanner,
        curve=curve,
        contents=contents,
        usual=usual,
        found=keyed,
    )


def _unknown_film(
    found: Sequence[StripSurvey], grey: bool, scanner: ScannerProfile | None
) -> FilmProfile:
    """Return the profile of a roll of which the user names none."""
    codes = (film_code(strip) for strip in found)
    return with_scanner(find_film(MONOCHROME if grey else profile_of_codes(codes)), scanner)


def _other_film(found: Sequence[StripSurvey], profile: FilmProfile) -> str | None:
    """Return a warning where the film's edge tells another film than a profile was made from."""
    codes = film_codes(found)
    if not codes or not profile.film_codes or set(codes) & set(profile.film_codes):
        return None
    return (
        f"the film profile '{profile.name}' was made from film {', '.join(profile.film_codes)}, "
        f"and the edge of this one reads {', '.join(codes)}: leave out --profile"
    )


def _film_kind(found: Sequence[StripSurvey], strips: Sequence[StripSurvey]) -> Kind:
    """Tell whether film is black-and-white, by its pictures as found, else as corrected."""
    samples = picture_samples(found) or picture_samples(strips)
    return film_kind([strip.base.density for strip in found], samples)


_UNUSED_BASE = "is used for nothing as a base scan: no file of the roll is one picture alone"


def _unused_base(settings: Settings, surveys: Sequence[ScanSurvey]) -> tuple[str, ...]:
    """Return the name of a picture of clear film that no scan had a use for."""
    if settings.base_scan is None or any(survey.clear is not None for survey in surveys):
        return ()
    return (Path(settings.base_scan).name,)


def _areas(strips: Sequence[StripSurvey], settings: Settings) -> Areas:
    """Return what is written of each strip's frames."""
    return [[written(frame, strip, settings) for frame in strip.frames] for strip in strips]


def _frames(
    strips: Sequence[StripSurvey],
    areas: Areas,
    plan: Recut,
    colour: RollColour,
    usual: Key | None,
    roll: Roll,
) -> tuple[tuple[tuple[RollFrame, ...], ...], tuple[str, ...]]:
    """Return the frames of each strip, and what could not be obeyed."""
    outlines = [[area.outline for area in row] for row in areas]
    colours, refused = frame_colours(
        strips, colour, roll.settings.exposure, usual, roll.notes.frames, outlines
    )
    rows = tuple(
        tuple(
            RollFrame(frame, plan.numbers[str(frame.key)], own, area, turn_of(frame, roll))
            for frame, own, area in zip(strip.frames, row, areas_of_strip, strict=True)
        )
        for strip, row, areas_of_strip in zip(strips, colours, areas, strict=True)
    )
    return rows, refused


def _keyed(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[FrameNumber]]
) -> tuple[StripSurvey, ...]:
    return tuple(
        replace(
            strip,
            frames=tuple(
                replace(frame, key=number.number)
                for frame, number in zip(strip.frames, row, strict=True)
            ),
        )
        for strip, row in zip(strips, numbers, strict=True)
    )


def tone_of_roll(
    found: Sequence[StripSurvey], colour: RollColour, usual: Key | None = None
) -> PrintTone:
    """Return the tone of the roll's prints, by its pictures as found.

    `usual` is the exposure that single pictures are brought towards. What the user adds to the
    exposure of the roll doesn't count: it lightens the prints.
    """
    return roll_tone(
        scene_light(np.asarray(frame.samples), brightened(colour, trim_of(frame, colour, usual)))
        for strip in found
        for frame in strip.frames
        if frame.kind in HOLDS_PICTURE
    )
