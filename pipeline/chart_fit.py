"""A film profile fitted to a chart: slopes, balance, unmask and scene matrix."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.chart_match import chart_exposures, chart_places
from pipeline.film import FilmProfile, LayerCurve, Matrix
from pipeline.profile_fit import layer_curves
from pipeline.space import find_space, from_working

Floats = NDArray[np.float64]

# How far a film may stray from its profile, one standard deviation each: slopes (relative),
# exposure of all layers and of single ones (log10), sharpness of the toe (relative), and the
# terms of both matrices.
_SLOPE, _SPEED, _LAYER, _TOE, _UNMASK, _SCENE = 0.15, 1.0, 0.3, 0.3, 0.08, 0.15
# Fall-off of light from a chart's middle to its end, log10.
_FALL_OFF = 0.05
# What a chart on film can be trusted for, in units of colour difference: as printed, charts
# differ by about 1 from each other (differences of the published sets, by colour-science).
_TRUST = 1.0
_NEUTRAL_WEIGHT = 2.0
_NEUTRALS = slice(18, 24)
# A patch this uneven, in density beyond what its chart's patches mostly are, counts half.
_UNEVEN = 0.03


@dataclass(frozen=True)
class ChartFit:
    """A film profile fitted to a chart, and what is left: colour difference of each patch (24).

    The differences are CIE 1994 ones (graphic arts) of the patches as the profile shows them.
    """

    profile: FilmProfile
    residual: Floats

    @property
    def mean_residual(self) -> float:
        """Return the mean colour difference."""
        return float(self.residual.mean())


def fit_chart(densities: Floats, spread: Floats, start: FilmProfile) -> ChartFit:
    """Return the profile under which a chart has its published colours, near a given profile.

    Parameters
    ----------
    densities, spread
        (24, 3) density above base of the patches in chart order, and the spread inside each.
    start
        What is known of the film; the fit strays from it no further than the chart asks for.

    Notes
    -----
    Least squares of colour differences, which weigh lightness, chroma and hue as CIE 116-1995
    does, with the neutral row weighing twice, and of the strays from the profile in units of
    their usual size. Rows of the scene matrix add up to one, so that neutrals stay neutral.
    """
    from scipy.optimize import least_squares

    weight = _weights(spread)

    def residuals(theta: Floats) -> Floats:
        seen = _shown(densities, _profile(start, theta), theta[-2:])
        colour = _differences(seen) * weight[:, None] / _TRUST
        return np.concatenate([colour.ravel(), theta])

    solved = least_squares(
        residuals, np.zeros(_COUNT), x_scale=1.0, loss="soft_l1", f_scale=3.0, max_nfev=60
    )
    theta = np.asarray(solved.x, float)
    fitted = _profile(start, theta)
    left = np.sqrt((_differences(_shown(densities, fitted, theta[-2:])) ** 2).sum(axis=1))
    return ChartFit(fitted, left)


# Slopes 3, speed 1, speeds of red and blue 2, toe 1, unmask 6, scene 6, fall-off 2.
_COUNT = 21
_OFF_DIAGONAL = ~np.eye(3, dtype=bool)


def _profile(start: FilmProfile, theta: Floats) -> FilmProfile:
    """Return a profile that strays from another one by `theta`, in units of usual strays."""
    shift = _SPEED * theta[3] + _LAYER * np.array([theta[4], 0.0, theta[5]])
    red, green, blue = (
        _moved(curve, _SLOPE * theta[channel], shift[channel], _TOE * theta[6])
        for channel, curve in enumerate(layer_curves(start))
    )
    unmask, scene = np.array(start.unmask), np.array(start.scene)
    unmask[_OFF_DIAGONAL] += _UNMASK * theta[7:13]
    change = np.zeros((3, 3))
    change[_OFF_DIAGONAL] = _SCENE * theta[13:19]
    scene += change - np.diag(change.sum(axis=1))
    return replace(
        start, curves=(red, green, blue), unmask=as_matrix(unmask), scene=as_matrix(scene)
    )


def _moved(curve: LayerCurve, slope: float, shift: float, toe: float) -> LayerCurve:
    return replace(
        curve,
        slope=curve.slope * math.exp(slope),
        toe_exposure=curve.toe_exposure * 10.0**shift,
        toe_power=curve.toe_power * math.exp(toe),
    )


def as_matrix(rows: Floats) -> Matrix:
    """Return an array (3, 3) as plain numbers."""
    red, green, blue = ((float(r), float(g), float(b)) for r, g, b in rows)
    return (red, green, blue)


def _weights(spread: Floats) -> Floats:
    """Return how much each patch counts (24): less where it is uneven, more in the neutral row."""
    uneven = spread.max(axis=1)
    beyond = np.maximum(uneven - np.median(uneven), 0.0) / _UNEVEN
    weight: Floats = 1.0 / (1.0 + beyond)
    weight[_NEUTRALS] *= _NEUTRAL_WEIGHT
    return weight


def _shown(densities: Floats, profile: FilmProfile, fall_off: Floats) -> Floats:
    """Return linear ACEScg (24, 3) of a chart's densities, evened out over the chart."""
    layers = densities @ np.asarray(profile.unmask).T
    exposures = np.stack(
        [curve.exposure(layers[:, channel]) for channel, curve in enumerate(profile.curves)], 1
    )
    places = chart_places()
    across = (places / places.max(axis=0) - 0.5) * 2.0
    light = 10.0 ** (_FALL_OFF * across @ fall_off)
    shown: Floats = exposures @ np.asarray(profile.scene).T / light[:, None]
    return shown


def _differences(seen: Floats) -> Floats:
    """Return differences in lightness, chroma and hue (24, 3) from the published colours.

    CIE 116-1995 (CIE94, graphic arts), with the chroma of the published colour in its weights.
    """
    lab, want = _lab(seen), _lab(chart_exposures())
    off = lab - want
    chroma = np.hypot(want[:, 1], want[:, 2])
    along = want[:, 1:] / np.maximum(chroma, 1e-6)[:, None]
    radial = (off[:, 1:] * along).sum(axis=1)
    turned = off[:, 2] * along[:, 0] - off[:, 1] * along[:, 1]
    return np.stack(
        [off[:, 0], radial / (1.0 + 0.045 * chroma), turned / (1.0 + 0.015 * chroma)], axis=1
    )


def _lab(scene: Floats) -> Floats:
    """Return CIE 1976 L*a*b* (D50) of linear ACEScg (..., 3)."""
    romm = find_space("romm-rgb")
    to_xyz = np.array(romm.to_xyz)
    xyz = scene @ (to_xyz @ from_working(romm)).T / to_xyz.sum(axis=1)
    # CIE 015:2018, 8.2.1: the cube root, and a line below (6/29)^3.
    line = xyz / (3 * (6 / 29) ** 2) + 4 / 29
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(np.maximum(xyz, 1e-9)), line)
    lab: Floats = np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )
    return lab
