"""Which patches of a grid are the 24 of the chart, and which way round it lies."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Float64
from pipeline.profile import find_space, from_working, shipped

# What a film makes of the chart's exposures, over all usual films: a curve with a toe and a
# shoulder, wherever on it the chart was exposed (decades about a normal exposure).
_SHIFTS = (-0.9, -0.6, -0.3, 0.0, 0.3, 0.6, 0.9)
_TOE_LOG, _SHOULDER_LOG, _BEND = -1.75, 1.7, 0.2
_LEAST_EXPOSURE = 0.004
# How much worse an even light explains a chart in part in shadow: over all films and scanners of
# the film model 2.5 times and more, and 1.2 times at most one without.
_SHADED = 1.7
# Least spread of densities over a chart, one standard deviation.
_LEAST_CONTRAST = 0.06


@dataclass(frozen=True)
class ChartLayout:
    """The chart: names of the patches, their XYZ (24, 3; D50, white 1), and its layout.

    `neutral_log_exposure` (6, 3) is log10 exposure of the last row in red, green and blue.
    """

    names: tuple[str, ...]
    xyz_d50: Float64
    columns: int
    rows: int
    patch_share: float
    neutral_log_exposure: Float64


@dataclass(frozen=True)
class Match:
    """Which places of a grid hold the chart: (24,) indices in chart order, and how well."""

    order: NDArray[np.int64]
    explained: float


@cache
def chart_layout() -> ChartLayout:
    """Return the 24-patch chart of profiles/chart.toml, which names its source."""
    document = shipped("chart.toml")
    patches = document["patches"]
    return ChartLayout(
        names=tuple(str(patch["name"]) for patch in patches),
        xyz_d50=np.array([patch["xyz_d50"] for patch in patches], float),
        columns=int(document["columns"]),
        rows=int(document["rows"]),
        patch_share=float(document["patch_share"]),
        neutral_log_exposure=np.array(document["neutrals"]["log_exposure"], float),
    )


@cache
def chart_exposures() -> Float64:
    """Return the chart's linear ACEScg (24, 3), a perfect white 1, adapted from D50."""
    # ROMM RGB has the white of the chart's figures.
    romm = find_space("romm-rgb")
    to_xyz = np.array(romm.to_xyz) @ from_working(romm)
    exposures: Float64 = chart_layout().xyz_d50 @ np.linalg.inv(to_xyz).T
    return exposures


def chart_places() -> Float64:
    """Return column and row (24, 2) of the patches in chart order."""
    layout = chart_layout()
    row, column = np.divmod(np.arange(layout.columns * layout.rows), layout.columns)
    return np.stack([column, row], axis=1).astype(float)


def ways_round() -> NDArray[np.int64]:
    """Return the four orders (4, 24) of a grid of 6 x 4: as is, turned, and both mirrored."""
    layout = chart_layout()
    grid = np.arange(layout.columns * layout.rows).reshape(layout.rows, layout.columns)
    return np.stack([way.ravel() for way in (grid, grid[::-1, ::-1], grid[:, ::-1], grid[::-1])])


def _lights() -> list[Float64]:
    """Return bases (24, n) of light that differs over the chart, in density.

    It is even, or falls off across and down; or the edge of a shadow lies between two columns
    or two rows besides.
    """
    places = chart_places()
    plain = np.column_stack([np.ones(24), places - places.mean(axis=0)])
    edges = [places[:, axis] > place for axis, last in ((0, 5), (1, 3)) for place in range(last)]
    uneven = [np.column_stack([plain, edge]) for edge in edges]
    return [np.linalg.qr(basis)[0] for basis in (plain, *uneven)]


@cache
def _bases() -> list[tuple[Float64, Float64]]:
    """Return orthonormal bases of what the light and the film make of the chart.

    The first (24, n) of each pair holds an uneven light; the second (shifts, 24, 3) what the
    chart's exposures add to that.
    """
    return [
        (light, np.array([np.linalg.qr(c - light @ (light.T @ c))[0] for c in _film_curves()]))
        for light in _lights()
    ]


@cache
def _film_curves() -> list[Float64]:
    """Return what a film makes of the chart's exposures (24, 3), wherever on its curve."""
    logs = np.log10(np.maximum(chart_exposures(), _LEAST_EXPOSURE))
    return [
        _ramp(logs + shift - _TOE_LOG) - _ramp(logs + shift - _SHOULDER_LOG) for shift in _SHIFTS
    ]


def light_fall(densities: Float64) -> Float64:
    """Return how much density (3,) rises a column as the light over a chart (24, 3) does.

    Notes
    -----
    Least squares of a fall along and across with the chart's exposures, as in `best_match`.
    """
    places = chart_places() - chart_places().mean(axis=0)
    fits: list[tuple[float, Float64]] = []
    for curve in _film_curves():
        terms = np.column_stack([np.ones(24), places, curve])
        found = np.linalg.lstsq(terms, densities, rcond=None)[0]
        fits.append((float(((densities - terms @ found) ** 2).sum()), np.asarray(found[1], float)))
    return min(fits, key=lambda fit: fit[0])[1]


def _ramp(logs: Float64) -> Float64:
    ramp: Float64 = _BEND * np.logaddexp(0.0, logs / _BEND)
    return ramp


def best_match(densities: Float64) -> Match | None:
    """Return how 24 densities (24, 3) of a 6 x 4 grid lie on the chart; None if they can't.

    All four ways round are tried. `explained` is the share of the differences between patches
    that the chart's exposures, put through a curve with toe and shoulder and mixed between the
    layers, account for: about 1 on a chart, and little by chance, as 24 patches have many more
    figures than the nine that mix them.
    """
    ways = ways_round()
    best: Match | None = None
    for light, added in _bases():
        seen = densities[ways]
        seen = seen - light @ (light.T @ seen)
        total = (seen**2).sum(axis=(1, 2))
        if not np.isfinite(total).all() or total.min() < 72 * _LEAST_CONTRAST**2:
            return best
        parts = np.einsum("spk,wpc->swkc", added, seen)
        explained = ((parts**2).sum(axis=(2, 3)) / total).max(axis=0)
        way = int(np.argmax(explained))
        if best is None or explained[way] > best.explained:
            best = Match(ways[way], float(explained[way]))
    return best if best and _is_negative(densities[best.order]) else None


def is_shaded(densities: Float64) -> bool:
    """Tell whether the edge of a shadow lies over a chart's densities (24, 3), in chart order.

    With one, light that also steps between two columns or rows explains them much better.
    """
    left = []
    for light, added in _bases():
        seen = densities - light @ (light.T @ densities)
        explained = (np.einsum("spk,pc->skc", added, seen) ** 2).sum(axis=(1, 2)).max()
        left.append(float((seen**2).sum() - explained))
    return left[0] > _SHADED * max(min(left[1:]), 1e-9)


def _is_negative(densities: Float64) -> bool:
    """Tell whether the neutral row falls from white to black in all channels, as negatives do.

    One step may rise, as it does where the edge of a shadow lies.
    """
    greys = densities[18:]
    grain = 0.02
    rises = (np.diff(greys, axis=0) > grain).sum(axis=0)
    return bool((rises <= 1).all() and (greys[0] - greys[-1] > grain).any())
