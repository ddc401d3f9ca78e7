"""A film profile fitted to 24-patch charts on the film, or balanced by a grey card."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.chart import chart_exposures, chart_layout, chart_places
from pipeline.colour.difference import difference_2000, difference_parts
from pipeline.kinds import MIDDLE_GREY, Float64, Mask, Matrix, as_matrix, as_triple
from pipeline.problem import SettingsProblem
from pipeline.profile import FilmProfile, GreyOnFilm, LayerCurve, fittable_curves, shipped

Curves = tuple[LayerCurve, LayerCurve, LayerCurve]

_NEUTRALS = slice(18, 24)
_OFF_DIAGONAL = ~np.eye(3, dtype=bool)
# Log slopes 3, log toe powers 3, speeds 3, unmask 6, scene 6; for each chart fall-off 2, exposure,
# red and blue of its light.
_OF_FILM, _OF_CHART = 21, 5
_SOFT_LOSS = 3.0
_LEAST_PATCHES = 12
_ROUNDS = 2
# By how much density is changed to see what becomes of it.
_STEP = 0.005
# More than the charts of a roll, by themselves and together.
_FITS_KEPT = 32
# By how much a parameter is moved to see what becomes of the misfit.
_MOVED = 1e-7


@dataclass(frozen=True, eq=False)
class SeenChart:
    """A 24-patch chart on film: (24, 3) densities above base in chart order.

    `error` (24, 3) is one standard deviation of what each was read wrong by, None where it is not
    known. Patches that can't be read hold NaN. Charts are the same whose figures are.
    """

    densities: Float64
    error: Float64 | None = None

    def __eq__(self, other: object) -> bool:
        """Tell whether another chart has the same figures."""
        return isinstance(other, SeenChart) and self._figures == other._figures

    def __hash__(self) -> int:
        """Return the hash of the figures."""
        return hash(self._figures)

    @property
    def _figures(self) -> tuple[bytes, bytes]:
        return self.densities.tobytes(), b"" if self.error is None else self.error.tobytes()


@dataclass(frozen=True)
class ProfileFit:
    """A fitted film profile and what is left: CIEDE2000 of each patch (charts, 24).

    `trusted` (charts, 24) tells the patches that took part; mean and worst are theirs.
    """

    profile: FilmProfile
    residual: Float64
    trusted: Mask

    @property
    def mean_residual(self) -> float:
        """Return the mean colour difference of the patches that took part."""
        return float(self.residual[self.trusted].mean())

    @property
    def worst_residual(self) -> tuple[str, float]:
        """Return the name of the worst patch that took part, and its colour difference."""
        taken = np.where(self.trusted, self.residual, 0.0).max(axis=0)
        worst = int(np.argmax(taken))
        return chart_layout().names[worst], float(taken[worst])


def fit_profile(charts: Sequence[SeenChart], start: FilmProfile) -> ProfileFit:
    """Return the profile under which charts on one film have their published colours.

    The charts are of one roll, exposed and lit alike or not: the first one sets the speed, all of
    them the balance. The fit strays from `start` no further than they ask for.

    Raises SettingsProblem if `start` has no curves of slope and toe, or the charts show too few
    patches.

    Notes
    -----
    Least squares of differences in lightness, chroma and hue in units of CIEDE2000's tolerances,
    the neutral row weighing more, and of the strays from the start in units of their usual size.
    What grain makes of a patch's colour, by the solution of the round before, counts as its error:
    matrices that set layers far apart make much of grain, so grainy charts stay near the start.
    Rows of the scene matrix sum to one, so that neutrals stay. Each chart has an exposure, a
    fall-off and, of several, a colour of light of its own. Patches far off in a first, tolerant
    round are left out, and taken back if they fit what the others say.
    """
    return _fitted(tuple(charts), start)


# Who puts a roll right in the browser has the same charts fitted after every correction.
@lru_cache(_FITS_KEPT)
def _fitted(charts: tuple[SeenChart, ...], start: FilmProfile) -> ProfileFit:
    curves = fittable_curves(start)
    known = np.array([np.isfinite(chart.densities).all(axis=1) for chart in charts])
    if not len(known) or known.sum(axis=1).min() < _LEAST_PATCHES:
        raise SettingsProblem(
            None, "the chart shows too few patches to fit a profile", "name another frame"
        )
    densities = np.array([np.nan_to_num(chart.densities) for chart in charts])
    errors = np.array([_density_error(chart) for chart in charts])
    problem = _Problem(densities, errors, start, curves, known)
    theta = problem.solved(np.zeros(_OF_FILM + _OF_CHART * len(charts)), "cauchy")
    for _ in range(_ROUNDS):
        residual = problem.residual(theta)
        usual = float(np.median(residual[known]))
        limit = max(
            _constant("patches", "outlier_difference"),
            _constant("patches", "outlier_ratio") * usual,
        )
        trusted = known & ~(residual > limit)
        if trusted.sum(axis=1).min() < _LEAST_PATCHES:
            raise SettingsProblem(
                None, "what was taken for a chart has other colours", "name another frame"
            )
        problem = replace(problem, trusted=trusted)
        theta = problem.solved(theta, "linear")
    profile = replace(
        problem.profile(theta),
        unmask_strays=(),
        drawn=False,
        grey=None,
        slope_spread=_constant("next_roll", "slope"),
        speed_spread_log_e=_constant("next_roll", "speed_log_e"),
        contrast_spread=_constant("next_roll", "contrast"),
    )
    return ProfileFit(profile, problem.residual(theta), trusted)


def fit_grey(density: Float64, start: FilmProfile) -> FilmProfile:
    """Return a profile under which a grey card has its exposure in all layers; slopes stay.

    `density` (3,) is that of the card above base.

    Raises SettingsProblem if `start` has no curves of slope and toe, or the card is as clear as the
    base.
    """
    layers = np.asarray(start.unmask) @ np.asarray(density, float)
    moved = []
    for curve, layer in zip(fittable_curves(start), layers, strict=True):
        # Where the curve's toe begins; NaN is no density either.
        if not layer > 0.05 * curve.slope:
            raise SettingsProblem(
                None, "the grey card is as clear as the film base", "name another frame"
            )
        seen = float(curve.exposure(np.array(layer)))
        moved.append(replace(curve, toe_exposure=curve.toe_exposure * MIDDLE_GREY / seen))
    red, green, blue = moved
    grey = GreyOnFilm(as_triple(density), _constant("next_roll", "speed_log_e"))
    return replace(start, curves=(red, green, blue), grey=grey)


@dataclass(frozen=True)
class _Problem:
    """Charts (charts, 24, 3) and their errors, the film to start from, and patches that count."""

    densities: Float64
    errors: Float64
    start: FilmProfile
    curves: Curves
    trusted: Mask

    def solved(self, theta: Float64, loss: str) -> Float64:
        from scipy.optimize import least_squares

        weights = self.weights(theta)

        def misfit(trial: Float64) -> Float64:
            off = np.einsum("npij,npj->npi", weights, self.parts(trial))
            return np.concatenate([off.ravel(), trial])

        found = least_squares(
            misfit,
            theta,
            lambda trial: _jacobian(misfit, trial, len(self.densities)),
            loss=loss,
            f_scale=_SOFT_LOSS,
            max_nfev=60,
        )
        return np.asarray(found.x, float)

    def profile(self, theta: Float64) -> FilmProfile:
        """Return the profile that strays from the start by `theta`, in units of usual strays."""
        unmask, curves, scene = self.film(theta)
        return replace(self.start, curves=curves, unmask=as_matrix(unmask), scene=as_matrix(scene))

    def film(self, theta: Float64) -> tuple[Float64, Curves, Float64]:
        """Return what `profile` has of its own: unmask matrix, curves, scene matrix."""
        slope, toe, speed = (theta[part : part + 3] for part in (0, 3, 6))
        layer = _constant("stray", "layer_log_e")
        shift = _constant("stray", "speed_log_e") * speed[1] + layer * speed * [1.0, 0.0, 1.0]
        one = _constant("stray", "layer_toe_power")
        sharper = _constant("stray", "toe_power") * toe[1] + one * toe * [1.0, 0.0, 1.0]
        steeper = np.exp(_constant("stray", "slope") * slope)
        red, green, blue = (
            LayerCurve(
                moved.slope,
                moved.toe_exposure * float(10.0 ** shift[channel]),
                moved.toe_power * float(np.exp(sharper[channel])),
                moved.shoulder,
            )
            for channel, curve in enumerate(self.curves)
            for moved in (curve.steeper(float(steeper[channel])),)
        )
        unmask = _changed(self.start.unmask, _constant("stray", "unmask") * theta[9:15])
        scene = _changed(self.start.scene, _constant("stray", "scene") * theta[15:21])
        return unmask, (red, green, blue), scene

    def weights(self, theta: Float64) -> Float64:
        """Return what makes differences of patches (charts, 24, 3, 3) alike in error.

        Their errors are that of the chart itself and what errors of density become near `theta`.
        """
        size = np.full(24, _constant("patches", "error"))
        size[_NEUTRALS] /= _constant("patches", "neutral_weight")
        variance = np.tile((size**2)[:, None, None] * np.eye(3), (len(self.densities), 1, 1, 1))
        for channel in range(3):
            step = _STEP * np.eye(3)[channel]
            turn = (self.parts(theta, step) - self.parts(theta, -step)) / (2.0 * _STEP)
            turn *= self.errors[..., channel, None]
            variance += turn[..., :, None] * turn[..., None, :]
        weights: Float64 = np.linalg.inv(np.linalg.cholesky(variance))
        return weights * self.trusted[..., None, None]

    def parts(self, theta: Float64, denser: Float64 | float = 0.0) -> Float64:
        """Return differences of all patches (charts, 24, 3), as if they were so much denser."""
        return difference_parts(self.shown(theta, denser), chart_exposures())

    def shown(self, theta: Float64, denser: Float64 | float = 0.0) -> Float64:
        """Return linear ACEScg (charts, 24, 3), exposure and fall-off of each chart taken out."""
        unmask, curves, scene = self.film(theta)
        own, several = theta[_OF_FILM:].reshape(-1, _OF_CHART), len(self.densities) > 1
        # The first chart's exposure is the film's speed.
        later = np.arange(len(own)) > 0
        logs = (_constant("stray", "speed_log_e") * own[:, 2] * later)[:, None]
        across = _constant("stray", "fall_off_log_e") * _across()
        logs = logs + np.array([across @ each for each in own[:, :2]])
        # One chart's light can't be told from the film's balance.
        tint = _constant("stray", "light_log_e") * several * own[:, [3, 2, 4]]
        tinted = logs[:, :, None] + (tint * [1.0, 0.0, 1.0])[:, None]
        layers = (self.densities + denser) @ unmask.T
        parts = [curve.exposure(layers[..., c]) for c, curve in enumerate(curves)]
        light: Float64 = np.stack(parts, axis=-1) / 10.0**tinted
        return light @ scene.T

    def residual(self, theta: Float64) -> Float64:
        """Return CIEDE2000 of all patches (charts, 24)."""
        return difference_2000(self.shown(theta), chart_exposures())


@cache
def _across() -> Float64:
    """Return how far the patches (24, 2) lie from the chart's middle, -1 to 1 across and down."""
    places = chart_places()
    from_middle: Float64 = (places / places.max(axis=0) - 0.5) * 2.0
    return from_middle


def _jacobian(misfit: Callable[[Float64], Float64], theta: Float64, charts: int) -> Float64:
    """Return what a misfit of patches, chart by chart, and of `theta` changes by with `theta`.

    What is a chart's own moves none but its patches: that of all charts is moved at once, so that
    many charts take no longer than each alone.
    """
    here = misfit(theta)
    patches = len(here) - len(theta)
    jacobian = np.zeros((len(here), len(theta)))
    jacobian[patches:] = np.eye(len(theta))

    def change(columns: int | NDArray[np.int64]) -> Float64:
        moved = theta.copy()
        moved[columns] += _MOVED
        return (misfit(moved)[:patches] - here[:patches]) / _MOVED

    for column in range(_OF_FILM):
        jacobian[:patches, column] = change(column)
    chart_of = np.arange(patches) // (patches // charts)
    for own in range(_OF_CHART):
        columns = _OF_FILM + own + _OF_CHART * np.arange(charts)
        jacobian[np.arange(patches), columns[chart_of]] = change(columns)
    return jacobian


def _constant(section: str, key: str) -> float:
    return float(shipped("fit.toml")[section][key])


def _changed(matrix: Matrix, terms: Float64) -> Float64:
    """Return a matrix with terms added off its diagonal, its rows' sums kept."""
    change = np.zeros((3, 3))
    change[_OFF_DIAGONAL] = terms
    return np.asarray(matrix) + change - np.diag(change.sum(axis=1))


def _density_error(chart: SeenChart) -> Float64:
    """Return one standard deviation of what the patches' densities (24, 3) are wrong by."""
    if chart.error is None:
        return np.full((24, 3), _constant("patches", "usual_density_error"))
    least = _constant("patches", "least_density_error")
    error: Float64 = np.hypot(np.nan_to_num(chart.error), least)
    return error
