"""Colour of a whole roll, from its pictures or a chart; black-and-white film by one channel."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.light import doubted_profile
from pipeline.colour.reference import Reference, found_reference, named_reference
from pipeline.colour.solve import solve_roll, with_exposure
from pipeline.colour.unmask import RollColour, from_profile
from pipeline.kinds import Triple, as_matrix, as_triple
from pipeline.profile import FilmProfile
from pipeline.settings import Settings
from pipeline.survey import FrameSurvey, StripSurvey, edge_print, picture_samples

_LEAST_NOISE = 0.002


def one_channel(profile: FilmProfile, spreads: Sequence[Triple]) -> RollColour:
    """Return the rendition of black-and-white film: one mix of the channels, one curve.

    `spreads` are the standard deviations of density in the bases of the strips: each channel
    counts by the inverse of its square, which gives the least noise.
    """
    noise = np.maximum(np.median(np.asarray(spreads, float), axis=0), _LEAST_NOISE)
    red, green, blue = (noise**-2 / (noise**-2).sum()).tolist()
    mix, curve = (red, green, blue), profile.curves[1]
    return replace(
        from_profile(profile),
        unmask=(mix, mix, mix),
        curves=(curve, curve, curve),
        scene=as_matrix(np.eye(3)),
    )


def is_one_channel(colour: RollColour) -> bool:
    """Tell whether a rendition is that of black-and-white film."""
    return colour.unmask[0] == colour.unmask[1] == colour.unmask[2]


def as_grey(picture: NDArray[Any], colour: RollColour) -> NDArray[Any]:
    """Return a picture (h, w, 3), its channels made equal if the rendition has but one.

    Spaces turn greys into greys only to within rounding.
    """
    if not is_one_channel(colour):
        return picture
    return np.repeat(picture[..., 1:2], 3, axis=2)


def colour_of_roll(
    found: Sequence[StripSurvey],
    strips: Sequence[StripSurvey],
    numbers: Mapping[str, str],
    profile: FilmProfile,
    settings: Settings,
    one_layer: bool = False,
) -> tuple[RollColour, Reference | None]:
    """Return the one colour of a roll, and the chart or card it is from, if any.

    It is solved from strips as `found`, their frames' keys set, so that a correction leaves all
    other frames as they are; `numbers` are those of the frames as corrected, by their keys. A fixed
    profile is taken as it is; `one_layer` is for black-and-white film. What the user adds to its
    exposure is left to the frames' colours.

    Raises SettingsProblem if a frame named as a reference can't be used.
    """
    samples = picture_samples(found) or picture_samples(strips)
    if one_layer and found:
        grey = one_channel(profile, [strip.base.spread for strip in found])
        return with_exposure(grey, samples), None
    printed = edge_print(found)
    solved = solve_roll(samples, profile, printed) if samples else from_profile(profile)
    reference = _referenced(found, strips, numbers, profile, solved, settings)
    colour = reference.colour if reference else solved
    if not profile.fixed:
        colour = with_exposure(colour, samples)
    if settings.balance is not None:
        colour = replace(colour, balance=as_triple(np.add(colour.balance, settings.balance)))
    return colour, reference


def profile_doubt(
    found: Sequence[StripSurvey], profile: FilmProfile, unknown: FilmProfile
) -> str | None:
    """Return a warning where a roll's pictures are not of the film that a profile was fitted to.

    `unknown` is the profile that the roll would have without it.
    """
    samples = picture_samples(found)
    if not samples:
        return None
    return doubted_profile(profile, solve_roll(samples, unknown, edge_print(found)))


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
    scans = {numbers[str(frame.key)]: strip.scan.path for strip in strips for frame in strip.frames}
    return named_reference(settings.reference, frames, profile, solved, scans)


def _with_chart(frame: FrameSurvey, found: FrameSurvey | None) -> FrameSurvey:
    return frame if found is None or found.chart is None else replace(frame, chart=found.chart)
