"""Colour of a whole roll, from its pictures or a chart on it, and the tone of its prints."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.colour import RollColour, from_profile, scene_light, solve_roll, with_exposure
from pipeline.film import FilmProfile
from pipeline.frame_colour import Key, brightened, trim_of
from pipeline.frame_survey import FrameSurvey
from pipeline.kinds import HOLDS_PICTURE, Float32
from pipeline.monochrome import one_channel
from pipeline.print_tone import PrintTone, roll_tone
from pipeline.reference import Reference, found_reference, named_reference
from pipeline.settings import Settings
from pipeline.strip_survey import StripSurvey

# Of some four hundred pictures. More tell no more, and take memory and time.
_MOST_SAMPLES = 400_000


def colour_of_roll(
    found: Sequence[StripSurvey],
    strips: Sequence[StripSurvey],
    numbers: Mapping[str, str],
    profile: FilmProfile,
    settings: Settings,
    one_layer: bool = False,
) -> tuple[RollColour, Reference | None]:
    """Return the one colour of a roll, and the chart or card it is from, if any.

    What the user adds to its exposure is left to the frames' colours.

    Parameters
    ----------
    found
        Strips as found, their frames' keys set; the colour is solved from these, so that a
        correction leaves all other frames as they are.
    strips
        Strips as corrected.
    numbers
        Numbers of the frames as corrected, by their keys.
    profile
        What is known of the film; a fixed one is taken as it is.
    settings
        The user's.
    one_layer
        Whether it is black-and-white film.

    Raises
    ------
    SettingsProblem
        If a frame named as a reference can't be used.
    """
    samples = picture_samples(found) or picture_samples(strips)
    if one_layer and found:
        grey = one_channel(profile, [strip.base.spread for strip in found])
        return with_exposure(grey, samples), None
    solved = solve_roll(samples, profile) if samples else from_profile(profile)
    reference = _referenced(found, strips, numbers, profile, solved, settings)
    colour = reference.colour if reference else solved
    if not profile.fixed:
        colour = with_exposure(colour, samples)
    return _balanced(colour, settings), reference


def picture_samples(strips: Sequence[StripSurvey]) -> list[Float32]:
    """Return the samples of all pictures of strips, (n, 3) densities above base each.

    Of very many pictures those of each are thinned out evenly.
    """
    every = [
        frame.samples for strip in strips for frame in strip.frames
        if frame.kind in HOLDS_PICTURE
    ]  # fmt: skip
    step = -(-sum(map(len, every)) // _MOST_SAMPLES)
    return every if step <= 1 else [samples[::step] for samples in every]


def tone_of_roll(
    found: Sequence[StripSurvey], colour: RollColour, usual: Key | None = None
) -> PrintTone:
    """Return the tone of the roll's prints, by its pictures as found.

    `usual` is the exposure that single pictures are brought towards. What the user adds to the
    exposure of the roll doesn't count: it lightens the prints.
    """
    return roll_tone(
        scene_light(frame.samples, brightened(colour, trim_of(frame, colour, usual)))
        for strip in found
        for frame in strip.frames
        if frame.kind in HOLDS_PICTURE
    )


def _referenced(
    found: Sequence[StripSurvey],
    strips: Sequence[StripSurvey],
    numbers: Mapping[str, str],
    profile: FilmProfile,
    solved: RollColour,
    settings: Settings,
) -> Reference | None:
    """Return the colour from reference frames; charts are as found, whatever was corrected."""
    as_found = {str(frame.key): frame for strip in found for frame in strip.frames}
    if settings.reference is None:
        numbered = [(numbers.get(key, key), frame) for key, frame in as_found.items()]
        return found_reference(numbered, profile, solved)
    # A roll of which no scan could be used has no frames to look for.
    if not settings.reference or not strips:
        return None
    frames = [
        (numbers[str(frame.key)], _with_chart(frame, as_found.get(str(frame.key))))
        for strip in strips
        for frame in strip.frames
    ]
    return named_reference(settings.reference, frames, profile, solved)


def _with_chart(frame: FrameSurvey, found: FrameSurvey | None) -> FrameSurvey:
    return frame if found is None or found.chart is None else replace(frame, chart=found.chart)


def _balanced(colour: RollColour, settings: Settings) -> RollColour:
    if settings.balance is None:
        return colour
    red, green, blue = (a + b for a, b in zip(colour.balance, settings.balance, strict=True))
    return replace(colour, balance=(red, green, blue))
