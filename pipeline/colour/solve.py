"""Colour of the roll: one solve of slopes and balance for all strips together."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.colour.unmask import RollColour, from_profile, scene_light
from pipeline.kinds import LOG_STOP, Float64, Floats
from pipeline.profile import Curve, FilmProfile

_LEAST_EXPOSURE = 1e-4
_LEAST_DENSITY = 0.06
_SAMPLES_A_FRAME = 240
# Frames whose colours lie this close together (log10 exposure ratio) are much the same picture.
_ALIKE_LOG_E = 0.02
# Frames weighed at a time: what is in between stays in the second cache, however long the roll.
_FRAMES_AT_ONCE = 36
# The most neutral part of a frame, how far off it may at most be, and what it counts.
_NEUTRAL_SHARE = 0.5
_FAR = 3.0
_NEUTRAL_WEIGHT = 2.0
_WIDE_WEIGHT = 0.5
# Spread of scene colours in log10 exposure ratios: along the way from warm to cool light, where
# daylight, shade, skin and sky lie, and across it, from green to magenta (fitted on the film
# model's pictures).
_WARM_COOL_SPREAD = 0.22
_GREEN_MAGENTA_SPREAD = 0.09
_MOST_STOPS = 2.5
_NEUTRAL_SPREADS = (0.10, 0.05, 0.03)


@dataclass(frozen=True)
class _Samples:
    """Per-layer densities of the pictures' samples, layer by layer, and what each picture counts.

    `layers` is (3, f, n), dense; `green` (f, n) is the log10 exposure of the green layer, which no
    search changes; `weight` is (f).
    """

    layers: Float64
    green: Float64
    weight: Float64


def _gather(frames: Sequence[Floats], profile: FilmProfile) -> _Samples:
    """Return as many samples of each frame as of any; frames alike in colour share a weight.

    A hundred pictures of one wood tell no more of the film than a few of them.
    """
    parts, weights = [], []
    for density in frames:
        layers = np.asarray(density, float) @ np.asarray(profile.unmask).T
        usable = (layers.min(axis=1) > _LEAST_DENSITY) & np.isfinite(layers).all(axis=1)
        layers = layers[usable]
        if len(layers) < 20:
            continue
        parts.append(layers[np.linspace(0, len(layers) - 1, _SAMPLES_A_FRAME).round().astype(int)])
        weights.append(float(usable.mean()))
    if not parts:
        none = np.zeros((3, 0, _SAMPLES_A_FRAME))
        return _Samples(none, none[1], np.zeros(0))
    layers = np.array(parts)
    weight = np.array(weights) / _alike(layers, profile.curves)
    planes = np.ascontiguousarray(np.moveaxis(layers, -1, 0))
    return _Samples(planes, _logs(planes[1], profile.curves[1]), weight)


def _alike(layers: Float64, curves: Sequence[Curve]) -> Float64:
    """Return for each frame how many frames of the roll are like it in colour, itself included."""
    colours = np.concatenate([_three_colours(layers[some], curves) for some in _parts(len(layers))])
    alike = []
    for some in _parts(len(colours)):
        apart = colours[some, None] - colours[None]
        likeness = np.exp(-(apart**2).mean(axis=2) / (2.0 * _ALIKE_LOG_E**2))
        alike.append(likeness.sum(axis=1))
    return np.concatenate(alike)


def _parts(count: int) -> list[slice]:
    """Return what of so many frames is worked on at a time."""
    return [slice(at, at + _FRAMES_AT_ONCE) for at in range(0, count, _FRAMES_AT_ONCE)]


def _three_colours(layers: Float64, curves: Sequence[Curve]) -> Float64:
    """Return (f, 6) log exposure ratios of frames at three places of their spread."""
    parts = [_logs(layers[..., channel], curve) for channel, curve in enumerate(curves)]
    logs = np.stack(parts, axis=-1)
    ratios = logs[..., (0, 2)] - logs[..., 1:2]
    places = np.percentile(ratios, (20, 50, 80), axis=1)
    return places.transpose(1, 0, 2).reshape(len(layers), 6)


def _logs(densities: Float64, curve: Curve) -> Float64:
    """Return log10 exposures of one layer for its densities."""
    return np.log10(np.maximum(curve.exposure(densities), _LEAST_EXPOSURE))


def _scaled(curves: Sequence[Curve], change: Float64) -> tuple[Curve, Curve, Curve]:
    """Return curves whose red and blue slopes are multiplied by exp(change)."""
    red, green, blue = curves
    return (red.steeper(math.exp(change[0])), green, blue.steeper(math.exp(change[1])))


def _misfit(
    theta: Float64, samples: _Samples, profile: FilmProfile, neutral_spread: float
) -> float:
    """Return minus the log posterior of slopes and balance (slope red, blue; balance red, blue).

    Two things are probable of scenes: most hold something neutral, and their colours as a
    whole are spread about neutral, more from warm to cool than from green to magenta. Of each
    frame the most neutral part counts for the first, however even it is, and never more than
    so much: no single wall decides over a roll.
    """
    curves = _scaled(profile.curves, theta[:2])
    parts = [
        _frame_misfits(samples.layers[:, some], samples.green[some], curves, theta, neutral_spread)
        for some in _parts(len(samples.weight))
    ]
    evidence = float(samples.weight @ np.concatenate(parts))
    prior = float((theta[:2] / profile.slope_spread) @ (theta[:2] / profile.slope_spread))
    prior += float(
        (theta[2:] / profile.speed_spread_log_e) @ (theta[2:] / profile.speed_spread_log_e)
    )
    return prior / 2.0 + evidence


def _frame_misfits(
    layers: Float64, green: Float64, curves: Sequence[Curve], theta: Float64, neutral_spread: float
) -> Float64:
    """Return what each frame (f) says against slopes and balance; arrays are as in `_Samples`."""
    red = _logs(layers[0], curves[0]) + theta[2] - green
    blue = _logs(layers[2], curves[2]) + theta[3] - green
    warm, cast = (red - blue) / math.sqrt(2.0), (red + blue) / math.sqrt(2.0)
    off = np.minimum((warm**2 + cast**2) / (2.0 * neutral_spread**2), _FAR)
    count = max(1, round(_NEUTRAL_SHARE * off.shape[1]))
    neutral = np.partition(off, count - 1, axis=1)[:, :count].mean(axis=1)
    wide = 3.0 * np.log1p(
        ((warm / _WARM_COOL_SPREAD) ** 2 + (cast / _GREEN_MAGENTA_SPREAD) ** 2) / 4.0
    ).mean(axis=1)
    misfits: Float64 = _NEUTRAL_WEIGHT * neutral + _WIDE_WEIGHT * wide
    return misfits


def solve_roll(frames: Sequence[Floats], profile: FilmProfile) -> RollColour:
    """Return one rendition for the roll from the densities of its pictures.

    Parameters
    ----------
    frames
        For each picture (n, 3) samples of density above base.
    profile
        What is known of the film; the less the roll tells, the nearer the result stays to it.

    Notes
    -----
    The base is black, so curves start there together; slopes and balance are the most probable
    ones given the profile's spreads and the usual distribution of colours in scenes. All tones
    take part, which sets the slopes: a cast that changes from shadow to light costs likelihood.
    """
    from scipy.optimize import minimize

    start = from_profile(profile)
    samples = _gather(frames, profile)
    if profile.fixed or not len(samples.weight):
        return start
    theta = np.zeros(4)
    for spread in _NEUTRAL_SPREADS:
        simplex = theta + np.vstack([np.zeros(4), np.eye(4) * 0.04])
        found = minimize(
            _misfit,
            theta,
            args=(samples, profile, spread),
            method="Nelder-Mead",
            options={"initial_simplex": simplex, "xatol": 2e-4, "fatol": 1e-3, "maxiter": 600},
        )
        theta = np.asarray(found.x, float)
    weight = float(samples.weight.sum())
    return replace(
        start,
        curves=_scaled(profile.curves, theta[:2]),
        balance=(float(theta[2]), 0.0, float(theta[3])),
        how="roll",
        confidence=round(weight / (weight + 4.0), 3),
    )


def with_exposure(colour: RollColour, frames: Sequence[Floats]) -> RollColour:
    """Return the colour with the roll's exposure set: its usual picture lies about middle grey.

    The middle of a picture is the mean of its log exposures between the darkest and lightest
    fifths; over the roll the median of the middles counts, so that night and snow don't. A roll
    is moved by 2.5 stops at most: films forgive that much, and a roll of nights stays dark.
    """
    middles = []
    for density in frames:
        if len(density) < 20:
            continue
        luminance = np.sort(scene_light(density, colour) @ np.array([0.272, 0.674, 0.054]))
        body = luminance[len(luminance) // 5 : len(luminance) - len(luminance) // 5]
        middles.append(float(np.log10(np.maximum(body, _LEAST_EXPOSURE)).mean()))
    if not middles:
        return colour
    # Scenes reflect less than a grey card on average: about 13 % (common practice, no source).
    stops = math.log2(0.13) - float(np.median(middles)) / LOG_STOP
    held = min(max(stops, -_MOST_STOPS), _MOST_STOPS)
    return replace(colour, exposure=colour.exposure * 2.0**held)
