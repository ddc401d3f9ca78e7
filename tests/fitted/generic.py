"""Fits the generic film profile on the film model: ``python -m tests.fitted.generic``.

One unmask matrix, one scene matrix and one set of curves for all films and scanners together,
held to the published values by what is known of their spread. What every roll
solves for itself is free on every chart here too: exposure and balance, and the slopes of red and
blue against green, which count half as free and half as the profile's, since a roll tells less
than a grey scale. Errors are CIEDE2000 (ISO/CIE 11664-6, by colour-science) against the chart's
published reflectances under D50, after one exposure scale.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.optimize import least_squares, minimize_scalar

from pipeline.profile.curve import LayerCurve, Shoulder
from tests.film_model import chart
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.scanner import load_scanner, scanners_of
from tests.film_model.spectra import Floats, colour_science, wavelengths_nm
from tests.film_model.stock import MID_GREY, Process, film_names, films_of, load_film
from tests.fitted.spectra import fit_scanner
from tests.sources import SOURCES

# scanner-e has the bands of scanner-a.
SCANNERS = ("scanner-a", "scanner-b", "scanner-c", "scanner-d")
STOPS = (-1.0, 0.0, 1.5)
OVEREXPOSED = (1.5, 3.0, 4.0)
NEUTRAL = slice(18, 24)
# The lightest and the darkest patch count less: shoulder and toe, and flare in a real camera.
NEUTRAL_WEIGHT = np.array([0.6, 1.0, 1.0, 1.0, 1.0, 0.4])
# Spread of slopes from film to film, and error of one patch's log10 exposure.
SLOPE_SPREAD, LOG_ERROR = 0.08, 0.03
# Expected range of 14 normal values in standard deviations (Tippett 1925).
RANGE_OF_14 = 3.407

# Inverse of the densities of unit dyes, rows scaled to sum to 1.
DYES = np.array(SOURCES["unit-dyes"]["mask_subtracted"])
PUBLISHED = np.linalg.inv(DYES) / np.linalg.inv(DYES).sum(axis=1, keepdims=True)
SLOPES = np.array(SOURCES["slopes"]["median"])
TOE_POWER = 1.5
EVEN_ROUNDS = 3
OFF_DIAGONAL = ~np.eye(3, dtype=bool)
START = np.concatenate([PUBLISHED[OFF_DIAGONAL], np.zeros(6), np.zeros(3), [TOE_POWER]])
# How far a fit may stray: unmask, scene matrix, log of slopes, toe power.
SPREAD = np.repeat([0.035, 0.05, 0.05, 0.1], [6, 6, 3, 1])
# The shoulder lies above the white of a picture exposed as metered. Slope beyond it relative to
# the straight part's as `fit_shoulder` finds it.
SHOULDER_DENSITY, SHOULDER_SOFTNESS, SHOULDER_SLOPE = 1.6, 0.25, 0.95


@dataclass(frozen=True)
class Chart:
    """A chart on a film, as a scanner sees it: densities above base (24, 3)."""

    film: str
    scanner: str
    stops: float
    density: Floats


@dataclass(frozen=True)
class Fit:
    """Matrices, slopes, toe power and slope beyond the shoulder (relative), for all charts."""

    unmask: Floats
    scene: Floats
    slopes: Floats
    toe_power: float
    shoulder: float = SHOULDER_SLOPE

    def exposure(self, layers: Floats, slope_change: Floats) -> Floats:
        """Return exposures of layer densities (..., 3), the toes at 0.01, slopes multiplied."""
        parts = []
        for channel, slope in enumerate(self.slopes.tolist()):
            bend = Shoulder(SHOULDER_DENSITY, SHOULDER_SOFTNESS, slope * self.shoulder)
            curve = LayerCurve(slope, 0.01, self.toe_power, bend)
            # A curve is steeper by as much as densities are divided by.
            parts.append(curve.exposure(layers[..., channel] / slope_change[..., channel]))
        return np.stack(parts, axis=-1)


@dataclass(frozen=True)
class Balanced:
    """Charts brought to neutral: layer exposures (..., 24, 3); shifts of log10 exposure and slope
    changes (..., 3).
    """

    exposure: Floats
    shift: Floats
    slope_change: Floats


def chart_density(
    film: str,
    scanner: str,
    stops: float = 0.0,
    light: str = "D55",
    process: Process | None = None,
) -> Floats:
    """Return what an ideal reading of a scanner gives for the chart's patches, above base."""
    stock, device, run = load_film(film), load_scanner(scanner), process or Process()
    _, patches = chart.reflectances()
    exposure = stock.layer_exposures(patches, light) / MID_GREY * 2.0**stops
    dyes = np.vstack([stock.develop(exposure, run), base_dye(stock, run)])
    seen = device.density(spectral_density(stock, run, dyes))
    return np.asarray(seen[:-1] - seen[-1])


@cache
def to_status_m(scanner: str) -> Floats:
    """Return the matrix from a scanner's densities to Status M, fitted from its bands."""
    fitted = fit_scanner(wavelengths_nm(), load_scanner(scanner).weights, scanner, "its bands")
    return np.array(fitted.profile.matrix)


@cache
def charts(films: tuple[str, ...], status_m: bool = False) -> tuple[Chart, ...]:
    """Return charts of these films on all scanners and at all exposures, or their Status M."""
    to_density = {name: to_status_m(name) if status_m else np.eye(3) for name in SCANNERS}
    return tuple(
        Chart(film, scanner, stops, chart_density(film, scanner, stops) @ to_density[scanner].T)
        for film in films
        for scanner in SCANNERS
        for stops in STOPS
    )


@cache
def _working() -> tuple[Floats, Floats, Floats]:
    """Return ACEScg to XYZ of D50, the chart's ACEScg colours, and its Lab under D50."""
    colour = colour_science()
    space = colour.RGB_COLOURSPACES["ACEScg"]
    d50 = chart.xyz_of(np.ones(chart.reflectances()[1].shape[1]), "D50")
    adapted = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), d50, transform="Bradford"
    )
    to_xyz = adapted @ space.matrix_RGB_to_XYZ
    xyz, lab, _ = chart.reference_colours()
    return to_xyz, np.linalg.solve(to_xyz, xyz.T).T, lab


def lab_of(light: Floats) -> Floats:
    """Return CIELAB under D50 of linear ACEScg."""
    colour, to_xyz = colour_science(), _working()[0]
    white = colour.XYZ_to_xy(to_xyz.sum(axis=1))
    return np.asarray(colour.XYZ_to_Lab(np.maximum(light @ to_xyz.T, 0.0), white))


def delta_e(light: Floats) -> Floats:
    """Return CIEDE2000 of the 24 patches, after the exposure scale that makes their mean least."""
    colour, lab = colour_science(), _working()[2]

    def error(stops: float) -> Floats:
        return np.asarray(colour.delta_E(lab, lab_of(light * 2.0**stops), method="CIE 2000"))

    best = minimize_scalar(lambda stops: error(stops).mean(), bounds=(-1, 1), method="bounded")
    return error(best.x)


def grey_chroma(light: Floats) -> float:
    """Return the median C*ab of the neutral row."""
    return float(np.median(np.hypot(*lab_of(light)[NEUTRAL, 1:].T)))


def balanced(density: Floats, fit: Fit, solve_slopes: bool = True) -> Balanced:
    """Return charts' layer exposures (..., 24, 3), brought to neutral by their neutral rows."""
    known = np.log10(_working()[1][NEUTRAL])
    layers = density @ fit.unmask.T
    change = np.ones((*density.shape[:-2], 1, 3))
    weight = NEUTRAL_WEIGHT / NEUTRAL_WEIGHT.sum()
    tone = known[:, 1] - weight @ known[:, 1]
    stiffness = (LOG_ERROR / SLOPE_SPREAD) ** 2 / NEUTRAL_WEIGHT.sum()
    for turn in range(4):
        exposure = fit.exposure(layers, change)
        off = np.log10(np.maximum(exposure[..., NEUTRAL, :], 1e-5)) - known
        if turn == 3 or not solve_slopes:
            break
        cast = off - off[..., 1:2]
        rise = (weight * tone) @ cast / (weight @ tone**2 + stiffness)
        change = change * (1.0 + rise[..., None, :])
    shift = weight @ off
    return Balanced(exposure / 10.0 ** shift[..., None, :], shift, change[..., 0, :])


def rendered(density: Floats, fit: Fit, solve_slopes: bool = True) -> Floats:
    """Return linear ACEScg (..., 24, 3) of charts under a fit."""
    return np.asarray(balanced(density, fit, solve_slopes).exposure @ fit.scene.T)


def unpacked(theta: Floats) -> Fit:
    """Return the fit of a vector: matrices are completed so that their rows sum to 1."""
    matrices = []
    for part in (theta[:6], theta[6:12]):
        matrix = np.zeros((3, 3))
        matrix[OFF_DIAGONAL] = part
        matrices.append(matrix + np.diag(1.0 - matrix.sum(axis=1)))
    return Fit(
        *matrices,
        SLOPES * np.exp(theta[12:15]),
        float(theta[15]),
    )


def residuals(light: Floats) -> Floats:
    """Return lightness, chroma and hue errors in units of CIEDE2000's own tolerances."""
    reference = _working()[2]
    lightness = reference[:, 0]
    chroma = np.hypot(reference[:, 1], reference[:, 2])
    ahead = reference[:, 1:] / np.maximum(chroma, 1e-9)[:, None]
    off = lab_of(light) - reference
    square = (lightness - 50.0) ** 2
    turned = off[..., 2] * ahead[:, 0] - off[..., 1] * ahead[:, 1]
    errors = [
        off[..., 0] / (1.0 + 0.015 * square / np.sqrt(20.0 + square)),
        (off[..., 1:] * ahead).sum(axis=-1) / (1.0 + 0.045 * chroma),
        turned / (1.0 + 0.015 * chroma),
    ]
    return np.ravel(errors)


def fit_charts(seen: Sequence[Chart]) -> Fit:
    """Return the fit that renders all charts best."""

    density = np.array([one.density for one in seen])

    def errors(fit: Fit) -> Floats:
        both = [residuals(rendered(density, fit, solved)) for solved in (True, False)]
        return np.moveaxis(np.array(both).reshape(2, 3, len(seen), 24), 2, 0)

    def misfit(theta: Floats, weight: Floats) -> Floats:
        scaled = errors(unpacked(theta)) * weight[:, None, None, None] / np.sqrt(2 * len(seen))
        return np.concatenate([scaled.ravel(), (theta - START) / SPREAD])

    theta, weight = START, np.ones(len(seen))
    for _ in range(EVEN_ROUNDS):
        theta = least_squares(misfit, theta, loss="soft_l1", f_scale=3.0, args=(weight,)).x
        # The worst charts count most, so that no kind of scanner is left behind.
        size = np.sqrt((errors(unpacked(theta)) ** 2).mean(axis=(1, 2, 3)))
        weight = weight * np.sqrt(size / size.mean())
    return unpacked(theta)


def fit_shoulder(films: Sequence[str], fit: Fit) -> float:
    """Return the relative slope beyond the shoulder that keeps overexposed greys in place.

    Exposure, balance and slopes are those of the same film's chart as metered.
    """
    known = np.log10(_working()[1][NEUTRAL])
    pairs = [(film, scanner) for film in films for scanner in SCANNERS]
    metered = np.array([chart_density(*pair) for pair in pairs])
    over = {
        stops: np.array([chart_density(*pair, stops)[NEUTRAL] for pair in pairs])
        for stops in OVEREXPOSED
    }

    def misfit(shoulder: Floats) -> Floats:
        trial = replace(fit, shoulder=float(shoulder[0]))
        there = balanced(metered, trial)
        errors = []
        for stops, density in over.items():
            seen = trial.exposure(density @ trial.unmask.T, there.slope_change[:, None, :])
            off = np.log10(seen) - there.shift[:, None, :] - known
            errors.append(off - stops * np.log10(2.0))
        return np.ravel(errors)

    found = least_squares(misfit, [SHOULDER_SLOPE], loss="soft_l1", f_scale=0.1, bounds=(0.2, 1.0))
    return float(found.x[0])


def toe_log_exposures(seen: Sequence[Chart], fit: Fit) -> Floats:
    """Return where the curves start, so that charts are neutral and well exposed in the mean."""
    stops = np.array([one.stops for one in seen])
    shifts = balanced(np.array([one.density for one in seen]), fit).shift
    return np.asarray(-2.0 - (shifts - stops[:, None] * np.log10(2.0)).mean(axis=0))


def metered_charts(split: str) -> tuple[Chart, ...]:
    """Return charts exposed as metered on all films and scanners of a split."""
    pairs = itertools.product(films_of(split), scanners_of(split))
    return tuple(Chart(film, name, 0.0, chart_density(film, name)) for film, name in pairs)


def spreads(seen: Sequence[Chart], fit: Fit) -> tuple[float, float]:
    """Return the spread of slopes (relative) and balance (log10), red and blue against green.

    Slopes are spread by what films are, of which the model has few, so as the usual ranges say
    (sources.toml [slopes]); and by what bands of scanners see of one film.
    """
    found = balanced(np.array([one.density for one in seen]), fit)
    slopes, films = np.log(found.slope_change[:, [0, 2]]), np.array([one.film for one in seen])
    bands = [slopes[films == film].var(axis=0) for film in np.unique(films)]
    speeds = found.shift[:, [0, 2]] - found.shift[:, [1]]
    spread = np.hypot(usual_spread(), np.sqrt(np.mean(bands)))
    return float(spread), float(speeds.std(axis=0).mean())


def usual_spread() -> float:
    """Return one standard deviation of usual slopes (relative), sources.toml [slopes]."""
    table = SOURCES["slopes"]
    ranges = np.subtract(table["highest"], table["lowest"]) / np.array(table["median"])
    return float(ranges.mean() / RANGE_OF_14)


@cache
def held_out(film: str, status_m: bool = False) -> tuple[tuple[str, Floats, Floats, float], ...]:
    """Return scanner, errors, errors without solved slopes, and grey chroma of a film left out."""
    others = tuple(name for name in film_names() if name != film)
    fit, rows = fit_charts(charts(others, status_m)), []
    for scanner in SCANNERS:
        density = chart_density(film, scanner)
        if status_m:
            density = density @ to_status_m(scanner).T
        light = rendered(density, fit)
        flat = rendered(density, fit, solve_slopes=False)
        rows.append((scanner, delta_e(light), delta_e(flat), grey_chroma(light)))
    return tuple(rows)


def main() -> None:
    """Print the profile's numbers, and errors of every film under a fit without it."""
    films = tuple(film_names())
    everything = charts(films)
    fit = fit_charts(everything)
    print("unmask", fit.unmask.round(4).tolist())
    print("scene", fit.scene.round(4).tolist())
    print("slopes", fit.slopes.round(3), "toe power", round(fit.toe_power, 2))
    print("shoulder", round(fit_shoulder(films, fit), 2))
    print("toe log exposure", toe_log_exposures(everything, fit).round(3))
    for split in ("used", "left-out"):
        print("spreads,", split, np.round(spreads(metered_charts(split), fit), 3))
    profiled = fit_charts(charts(films, status_m=True))
    # The same curves hold if the matrix takes up what slopes differ by.
    scale = fit.slopes / profiled.slopes
    print("unmask of Status M", (profiled.unmask * scale[:, None]).round(4).tolist())
    for status_m in (False, True):
        print("held out,", "Status M" if status_m else "scanner's densities")
        print("mean and 95th percentile of CIEDE2000, grey chroma; mean without slopes")
        for film in films:
            for scanner, error, flat, grey in held_out(film, status_m):
                row = error.mean(), np.quantile(error, 0.95), grey, flat.mean()
                print(film, scanner, *(f"{value:5.2f}" for value in row))


if __name__ == "__main__":
    main()
