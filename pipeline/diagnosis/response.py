"""What film, user and fault make of a roll's signs: the physical model behind the diagnosis."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.diagnosis.signs import LEAST
from pipeline.kinds import MIDDLE_GREY, Float64, Floats
from pipeline.profile import find_film

FILM, RUN, SCENE, FAULT = "film", "run", "scene", "fault"
GROUPS = (FILM, RUN, SCENE, FAULT)
FAMILIES = ("development", "high_base", "silver", "crossed")
_GREY = math.log10(MIDDLE_GREY)
_CURVE = "generic"
_LOWEST, _HIGHEST, _POINTS = -6.0, 4.0, 2001


@dataclass(frozen=True)
class Unknown:
    """A triple that is not known: normal about `mean`, with a common part and one per channel.

    `picture` and `picture_channel` are spreads of one picture, and shrink with their number.
    """

    name: str
    group: str
    mean: Float64
    spread: float
    channel: Float64
    picture: float
    picture_channel: float

    def spreads(self, pictures: int) -> Float64:
        """Return the standard deviations (k,) of its parts, common first, for so many pictures."""
        root = math.sqrt(max(pictures, 1))
        common = math.hypot(self.spread, self.picture / root)
        alone = np.hypot(self.channel, self.picture_channel / root)
        spreads = np.array([common, *alone])
        return spreads[spreads > 0.0]

    def value(self, parts: Floats) -> Float64:
        """Return the triple (..., 3) that parts (..., k) make."""
        common = parts.shape[-1] in (1, 4)
        value: Float64 = self.mean + (parts[..., :1] if common else 0.0)
        if parts.shape[-1] > 1:
            value = value + parts[..., common:]
        return value


@dataclass(frozen=True)
class Unknowns:
    """All unknowns; a state (..., size) holds their parts one after the other, nought as usual."""

    of: tuple[Unknown, ...]

    def spreads(self, pictures: int) -> Float64:
        """Return the standard deviations (size,) of a state for so many pictures."""
        return np.concatenate([each.spreads(pictures) for each in self.of])

    def places(self) -> dict[str, slice]:
        """Return where in a state the parts of each unknown are."""
        places, at = {}, 0
        for each in self.of:
            places[each.name] = slice(at, at := at + len(each.spreads(1)))
        return places

    def film(self) -> slice:
        """Return where in a state film and scanner are: at its beginning."""
        return slice(0, sum(len(each.spreads(1)) for each in self.of if each.group == FILM))

    def values(self, state: Floats) -> dict[str, Float64]:
        """Return the triples (..., 3) of all unknowns by name."""
        places = self.places()
        return {each.name: each.value(state[..., places[each.name]]) for each in self.of}


@dataclass(frozen=True)
class Fault:
    """Degrees (n,) by family, nought where a fault is not there, and log10 exposures (n,).

    `development` counts in ln of contrast, `high_base` in density, `silver` in neutral density for
    a unit of dye density; `crossed` is 1 where the layers went apart. `log_exposure` is that of the
    middle of the scenes against middle grey, and `dark` (n,) how far below it, in log10 exposure,
    the medians of dark subjects lie: most of such a picture is night, and what is lit as usual.
    """

    degree: Mapping[str, Float64]
    log_exposure: Float64
    dark: Float64 | float = 0.0


def unknowns_of(document: Mapping[str, Any]) -> Unknowns:
    """Return the unknowns of a parsed profile, groups in order."""

    def unknown(name: str, group: str, told: Mapping[str, Any]) -> Unknown:
        mean, channel = (
            np.broadcast_to(np.asarray(told.get(key, 0.0), float), 3) for key in ("mean", "channel")
        )
        spread, picture, picture_channel = (
            float(told.get(key, 0.0)) for key in ("spread", "picture", "picture_channel")
        )
        return Unknown(name, group, mean, spread, channel, picture, picture_channel)

    told = [(group, *item) for group in GROUPS for item in document[group].items()]
    return Unknowns(tuple(unknown(name, group, row) for group, name, row in told))


@cache
def _curve() -> tuple[Float64, Float64, Float64]:
    """Return log10 exposures (n,), layer densities (n, 3) of the usual film, and layers' mixing."""
    film = find_film(_CURVE)
    logs = np.linspace(_LOWEST, _HIGHEST, _POINTS)
    density = np.stack([curve.density(10.0**logs) for curve in film.curves], axis=-1)
    return logs, density, np.linalg.inv(np.asarray(film.unmask, float))


def _layers(log_exposure: Float64, gain: Float64) -> Float64:
    """Return densities (..., 3) of the layers at log10 exposures against middle grey."""
    logs, density, _ = _curve()
    at = log_exposure + _GREY
    layers = [np.interp(at[..., channel], logs, density[:, channel]) for channel in range(3)]
    return gain * np.stack(layers, axis=-1)


@dataclass(frozen=True)
class _Film:
    """A film as it was developed: gain (..., 3) on the usual curves, speed, and faults' shares."""

    gain: Float64
    speed: Float64
    silver: Float64
    kept: Float64

    def layers(self, log_exposure: Float64) -> Float64:
        """Return dye densities (..., 3) of the layers above base."""
        return _layers(log_exposure + self.speed, self.gain) * self.kept

    def seen(self, layers: Float64) -> Float64:
        """Return what a scanner sees of layers: they mix, and silver darkens all alike."""
        channels: Float64 = layers @ _curve()[2].T
        neutral: Float64 = self.silver * channels.mean(axis=-1, keepdims=True)
        return channels + neutral

    def density(self, log_exposure: Float64) -> Float64:
        """Return densities (..., 3) of the channels above base."""
        return self.seen(self.layers(log_exposure))


def response(fault: Fault, of: Mapping[str, Float64]) -> Float64:
    """Return signs (..., n, 25) as SIGNS orders them, for unknowns (..., n, 3) by name."""
    development, high, silver, crossed = (fault.degree[name][:, None] for name in FAMILIES)
    development, high, silver = (each * of["amount"] for each in (development, high, silver))
    contrast = development * of["development_contrast"] + crossed * of["crossed_contrast"]
    speed = development * of["development_speed"] + crossed * of["crossed_speed"]
    mask = of["mask"][..., :1]
    slope = of["slope"] + mask * of["mask_slope"] + of["run_slope"]
    fog = high * of["high_base"]
    film = _Film(
        np.exp(slope + contrast),
        of["run_speed"] + speed,
        silver * of["silver"],
        1.0 - np.clip(fog * of["high_base_fill"], -0.5, 0.5),
    )
    # Fog of the film's own grains grows with development as long as it goes on, unlike pictures.
    grown = of["own_fog"] * np.expm1(development * of["own_fog_growth"])
    base = of["base"] + mask * of["mask_base"] + of["run_base"] + fog
    base = base + grown + silver * of["silver_base"]
    leader = film.kept * np.exp(of["leader"] + slope + contrast * of["contrast_leader"])
    dense = film.silver * np.exp(of["silver_leader"])
    leader = dense * leader.mean(axis=-1, keepdims=True) + leader
    printed = film.density(of["print_log_exposure"] + of["run_print"])
    # Meters see what green sees, about: what is coloured differs from that in red and blue.
    cast = of["cast"] - of["cast"][..., 1:2]
    middle = fault.log_exposure[:, None] + of["exposure"] + cast
    key = of["key"] + np.reshape(fault.dark, (-1, 1))
    pictures = _of_pictures(film, middle, key, of)
    return np.concatenate([_logs(pictures), _logs(printed), base, _logs(leader)], axis=-1)


def _of_pictures(film: _Film, middle: Float64, key: Float64, of: Mapping[str, Float64]) -> Float64:
    """Return densities (..., 16): what pictures show, from median_red to roll_neutral."""
    at = middle - key
    low, high = np.exp(of["shadows"]), np.exp(of["highlights"]) + key
    least, median, most = (film.layers(place) for place in (at - low, at, at + high))
    densest = film.density(at + high + of["densest"])[..., 1:2]
    slope = (most - least) / (low + high)
    # The further a scene reaches, the further its tones spread, and its colours with them.
    tones = of["neutral"][..., :1] + np.log((low + high)[..., 1:2])
    neutral = np.exp(tones)
    red, blue = (of["colour"] + tones + of[name] for name in ("red_green", "blue_green"))
    within = _spreads(film, slope, neutral, (red, blue))
    over = _spreads(
        film,
        slope,
        neutral * np.exp(of["roll_neutral"])[..., :1],
        (red + of["roll_red_green"], blue + of["roll_blue_green"]),
    )
    least, median, most = (film.seen(layers) for layers in (least, median, most))
    parts = [median, most - median, median - least, densest, within, over]
    return np.concatenate(parts, axis=-1)


def _spreads(film: _Film, slope: Float64, neutral: Float64, colours: Sequence[Float64]) -> Float64:
    """Return spreads (..., 3) of red less green, blue less green and of the mean of layers.

    Colours of the scene spread the layers apart, and so do slopes that differ.
    """
    spreads = []
    for channel, log_colour in zip((0, 2), colours, strict=True):
        mean, apart = slope[..., [channel, 1]].mean(axis=-1), slope[..., channel] - slope[..., 1]
        spreads.append(np.hypot(mean * np.exp(log_colour[..., 0]), apart * neutral[..., 0]))
    spreads.append(film.seen(slope).mean(axis=-1) * neutral[..., 0])
    return np.stack(spreads, axis=-1)


def _logs(densities: Float64) -> Float64:
    logs: Float64 = np.log(np.maximum(densities, 0.0) + LEAST)
    return logs


def errors_of(document: Mapping[str, Any]) -> Float64:
    """Return the standard errors (25,) of measuring the signs."""
    error = document["error"]
    counts = (("pictures", 16), ("edge_print", 3), ("base", 3), ("leader", 3))
    return np.concatenate([np.full(count, float(error[name])) for name, count in counts])
