"""What light a chart or a grey card was in, as far as the film profile and the pictures tell."""

import math

import numpy as np

from pipeline.chart import ChartReading
from pipeline.colour.trial import grey_density
from pipeline.colour.unmask import RollColour, from_profile, layer_exposure
from pipeline.kinds import Float64
from pipeline.profile import FilmProfile, shipped

# So many standard deviations are no chance.
_STRANGE = 3.0
# How far a light may be from the pictures' own, log10 of red or blue to green exposure.
_AS_PICTURES = 0.1
_MIDDLE_GREYS = slice(19, 23)


def usual_light(chart: ChartReading, profile: FilmProfile, solved: RollColour) -> bool:
    """Tell whether a chart was lit by daylight, or as the pictures.

    Lamps and sky differ from daylight along the way from warm to cool, tubes are green besides.
    Where pictures tell how sure they are of greys, they are asked; a profile alone can only tell
    lamps from daylight, and that roughly.
    """
    logs = _grey_log_exposure(chart, solved)
    if np.abs(logs - logs[1]).max() < _AS_PICTURES:
        return True
    light = shipped("scenes.toml")["chart_light"]
    if solved.doubt_log_e is not None:
        warm, green = _warm_and_green(logs)
        coolest, warmest = light["daylight_warm"]
        return bool(coolest < warm < warmest and green < light["daylight_most_green"])
    warm, _ = _warm_and_green(_grey_log_exposure(chart, from_profile(profile)))
    coolest, warmest = light["daylight_warm_by_profile"]
    return bool(coolest < warm < warmest)


def _warm_and_green(logs: Float64) -> tuple[float, float]:
    """Return by how much log10 exposures (3,) are warm and green: red to blue, green to both."""
    return float(logs[0] - logs[2]), float(logs[1] - (logs[0] + logs[2]) / 2.0)


def _grey_log_exposure(chart: ChartReading, colour: RollColour) -> Float64:
    return _mean_log_exposure(chart.densities[_MIDDLE_GREYS], colour)


def _mean_log_exposure(densities: Float64, colour: RollColour) -> Float64:
    exposure = layer_exposure(densities, colour)
    mean: Float64 = np.log10(np.maximum(exposure, 1e-4)).mean(axis=0)
    return mean


def strange_words(densities: Float64, solved: RollColour) -> str:
    """Return a warning where densities (n, 3) of a grey are none by what the pictures tell."""
    off = _strangeness(densities, solved)
    if off < _STRANGE:
        return ""
    return (
        f", {off:.0f} times as much as they leave open: see whether it is grey, and lit as the "
        "pictures are"
    )


def doubted_profile(profile: FilmProfile, solved: RollColour) -> str | None:
    """Return a warning where a profile's grey is none by what the pictures tell, else None.

    `solved` is the roll's colour from its pictures as of an unknown film.
    """
    grey = np.linalg.solve(np.asarray(profile.unmask), grey_density(profile))
    off = _strangeness(grey[None], solved)
    if off < _STRANGE:
        return None
    return (
        f"the film profile '{profile.name}' has greys {off:.0f} times as far off as the pictures "
        "leave open: see whether it was made of this film and scanner, or leave out --profile"
    )


def _strangeness(densities: Float64, solved: RollColour) -> float:
    """Return how far densities (n, 3) are off grey, in deviations of what the pictures tell."""
    doubt = solved.doubt_log_e
    if doubt is None:
        return 0.0
    warm, green = _warm_and_green(_mean_log_exposure(densities, solved))
    light = shipped("scenes.toml")["chart_light"]
    return max(
        abs(warm) / math.hypot(math.sqrt(2.0) * doubt, light["spread_warm"]),
        abs(green) / math.hypot(doubt, light["spread_green"]),
    )
