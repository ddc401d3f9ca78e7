"""How film lies in a picture of it that isn't straight: seen aslant, through a lens, bowed.

One map is fitted to all that is known to lie straight on film and shows: its edges and its
perforations, which stand at one pitch. Without signs that it bends, film is taken for straight.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Mask, Numbers, Points, Whole, as_matrix, as_triple
from pipeline.strip.density import measure_limits
from pipeline.strip.film_line import CrossLine, FilmLine
from pipeline.strip.view import FilmMap

# Unknowns of film that lies straight: shift (2), turn, logarithm of scale. Those that bend it, in
# this order: narrower along and across the film (as seen aslant), drawn out along it, sheared,
# three terms of a bow, a lens that draws outwards.
_STRAIGHT = 4
_BENDS = ("aslant", "aslant", "drawn_out", "sheared", "bowed_mm", "bowed_mm", "bowed_mm", "radial")
# How far the first guess of the former may be off, pixels and radians: so that what no point tells
# stays where it was.
_STRAIGHT_SPREAD = (50.0, 50.0, 0.2, 0.1)
_BOW = _STRAIGHT + 4
# Of a fit's steps: how they are damped, at first and at the most, how many there are, and what
# share of the sum of squares they need not gain.
_DAMPING, _MOST_DAMPING, _MOST_STEPS, _EVEN_COST = 1e-3, 1e9, 60, 1e-9


def find_bend(
    lines: Sequence[FilmLine],
    bars: Sequence[CrossLine],
    way: FilmMap,
    px_per_mm: float,
    shape: tuple[int, int],
) -> FilmMap | None:
    """Return the map from level film to the proxy, or None where nothing shows that film bends.

    Parameters
    ----------
    lines
        What lies straight along the film, in pixels of a view.
    bars
        What lies straight across it, but for how a camera's gate is turned against the film.
    way
        The view's map as it is.
    px_per_mm
        Scale, roughly.
    shape
        Rows and columns of the proxy, in whose middle the lens is taken to look.

    Notes
    -----
    The map's pixels are as large as the proxy's at the film's middle.

    Flat film and its picture are related by a homography (Hartley and Zisserman, Multiple View
    Geometry, from memory), a lens draws places outwards by the cube of their distance to the
    first order (Brown 1971, from memory), and film may be bowed. What the points don't tell of
    these is held near nothing by how large it usually is.
    """
    if not lines:
        return None
    limits = measure_limits("bend")
    fit = _Fit.of(lines, bars, way, px_per_mm, shape)
    usual = np.array([float(limits[name]) for name in _BENDS])
    straight, left = fit.solved(usual * 0.0)
    bent, rest = fit.solved(usual)
    if left - rest < float(limits["least_gain"]):
        return None
    ends = fit.grid()
    moved = float(np.hypot(*(fit.onto(bent, *ends) - fit.onto(straight, *ends)).T).max())
    if moved < float(limits["least_move_mm"]) * px_per_mm:
        return None
    return fit.map_of(bent)


def _bars_on_film(bars: Sequence[CrossLine], px_per_mm: float, top: float) -> Points:
    """Return where the ends (n, 2) of lines across the film would lie on it, mm, were it level."""
    places = []
    for bar in bars:
        across = (bar.points[:, 1] - top) / px_per_mm
        places.append(np.column_stack([np.full(2, bar.points[:, 0].mean() / px_per_mm), across]))
    return np.concatenate([np.empty((0, 2)), *places])


def _phase(lines: Sequence[FilmLine], px_per_mm: float) -> float:
    """Return about how far along the film the perforation lies from which steps are counted."""
    counted = [
        line.points[:, 0] / px_per_mm - line.steps * line.pitch_mm
        for line in lines
        if line.steps is not None
    ]
    return float(np.median(np.concatenate(counted))) if counted else 0.0


@dataclass(frozen=True)
class _Fit:
    """Points to be met, of all lines together.

    `film` (n, 5) holds where each lies on film, along and across (mm), where it is seen (x and y,
    proxy pixels) and its standard error in pixels; `line` to which line it belongs, `hole` whether
    it tells a place along the film, too; `level_sigma` is by how much each line may lie off.
    `bars` are the ends of lines across the film, by pairs, as of `film`. `start` are the first
    guesses of film that lies straight. `place` tells where the proxy's middle is (x, y, pixels),
    where it lies on film (mm), how far the proxy's corners are from it, in mm and in pixels, where
    the film's middle is, and half its length.
    """

    film: Numbers
    line: Whole
    hole: Mask
    level_sigma: Numbers
    bars: Numbers
    start: Numbers
    place: Numbers

    @staticmethod
    def of(
        lines: Sequence[FilmLine],
        bars: Sequence[CrossLine],
        way: FilmMap,
        px_per_mm: float,
        shape: tuple[int, int],
    ) -> "_Fit":
        """Return the fit of lines in a view."""
        top = np.median([
            np.median(line.points[:, 1]) - line.across_mm * px_per_mm for line in lines
        ])  # fmt: skip
        phase = _phase(lines, px_per_mm)
        along = [
            line.points[:, 0] / px_per_mm
            if line.steps is None
            else line.steps * line.pitch_mm + phase
            for line in lines
        ]
        every = np.concatenate([line.points[:, 0] / px_per_mm for line in lines])
        sizes = [len(line.points) for line in lines]
        centre = (np.array(shape[::-1], float) - 1) / 2
        origin = (way.back(centre[None])[0] - (0.0, top)) / px_per_mm
        radius = float(np.hypot(*(centre + 0.5)))
        middle = np.median(np.concatenate([line.points for line in lines]), axis=0)
        ends = way.onto(middle + np.array([[-1.0, 0.0], [1.0, 0.0]]))
        turn = math.atan2(*(ends[1] - ends[0])[::-1].tolist())
        across = np.repeat([line.across_mm for line in lines], sizes)
        sigma = np.repeat([line.sigma_px for line in lines], sizes)
        ends_seen = way.onto(np.concatenate([np.empty((0, 2)), *(bar.points for bar in bars)]))
        end_sigma = np.repeat([bar.sigma_px for bar in bars], 2)
        ends_on_film = _bars_on_film(bars, px_per_mm, float(top))
        half = max(float(np.ptp(every)) / 2, 1.0)
        reach = (radius / px_per_mm, radius)
        return _Fit(
            film=np.column_stack([
                np.concatenate(along), across,
                np.concatenate([way.onto(line.points) for line in lines]), sigma,
            ]),
            line=np.repeat(np.arange(len(lines)), sizes),
            hole=np.repeat([line.steps is not None for line in lines], sizes),
            level_sigma=np.array([line.across_sigma_mm for line in lines]),
            bars=np.column_stack([ends_on_film, ends_seen, end_sigma]),
            start=np.array([0.0, 0.0, turn, math.log(px_per_mm)]),
            place=np.array([*centre, *origin, *reach, (every.min() + every.max()) / 2, half]),
        )  # fmt: skip

    def onto(self, unknowns: Numbers, along: Numbers, across: Numbers) -> Points:
        """Return where places on film (n, mm) are seen by a map's unknowns, proxy pixels."""
        return self.map_of(unknowns, 1.0).onto(np.column_stack([along, across]))

    def map_of(self, unknowns: Numbers, px_per_mm: float | None = None) -> FilmMap:
        """Return the map that unknowns make, from pixels of so many a mm, else the proxy's."""
        from pipeline.strip.bend_kernel import matrix_of

        cx, cy, _, _, _, radius, middle, half = self.place.tolist()
        *bow, radial = unknowns[_BOW : _STRAIGHT + len(_BENDS)].tolist()
        matrix = as_matrix(matrix_of(unknowns, self.place))
        way = FilmMap(matrix, as_triple(bow), middle, half, radial, (cx, cy), radius)
        if px_per_mm is None:
            across = float(self.film[:, 1].min() + self.film[:, 1].max()) / 2
            px_per_mm = way.px_per_px((middle, across))
        return way.enlarged(px_per_mm)

    def grid(self) -> tuple[Numbers, Numbers]:
        """Return places all over the film: along and across it (n,), mm."""
        middle, half = self.place[6:]
        along = np.linspace(middle - half, middle + half, 9)
        across = np.array([self.film[:, 1].min(), self.film[:, 1].max()])
        return np.repeat(along, 2), np.tile(across, len(along))

    def solved(self, usual: Numbers) -> tuple[Numbers, float]:
        """Return the likeliest unknowns, and the sum of squared deviations that they leave.

        `usual` are standard deviations of what bends film, zero where it isn't to bend.
        """
        from pipeline.strip.bend_kernel import rests, steepness

        gate = float(measure_limits("bend")["gate_turned"]) * (len(self.bars) > 0)
        spread = np.concatenate([_STRAIGHT_SPREAD, usual, self.level_sigma, [gate]])
        free = np.flatnonzero(spread > 0)
        first = np.zeros(len(spread))
        first[:_STRAIGHT] = self.start
        seen, steep = np.empty(self._count), np.empty((len(free), self._count))

        def unknowns(moved: Numbers) -> Numbers:
            every = first.copy()
            every[free] += moved * spread[free]
            return every

        def cost(moved: Numbers) -> float:
            rests(unknowns(moved), *self._points, seen)
            return float(seen @ seen + moved @ moved)

        def normal(moved: Numbers) -> tuple[Numbers, Numbers]:
            steepness(unknowns(moved), *self._points, free, steep)
            scaled = steep * spread[free, None]
            return scaled @ scaled.T + np.eye(len(free)), scaled @ seen + moved

        moved, left = least_cost(cost, normal, len(free))
        return unknowns(moved), left

    @property
    def _points(self) -> tuple[Numbers, Numbers, Whole, Mask, Numbers]:
        return self.place, self.film, self.line, self.hole, self.bars

    @property
    def _count(self) -> int:
        """Return how many rests there are."""
        return len(self.film) + int(self.hole.sum()) + len(self.bars) // 2


def least_cost(
    cost: Callable[[Numbers], float],
    normal: Callable[[Numbers], tuple[Numbers, Numbers]],
    count: int,
) -> tuple[Numbers, float]:
    """Return the unknowns (count) that make a sum of squares least, from nought on, and that sum.

    Parameters
    ----------
    cost
        The sum of squares of unknowns.
    normal
        Half of its second and first derivatives, at the unknowns that `cost` was last taken of.

    Notes
    -----
    Levenberg (1944) and Marquardt (1963), from memory: steps of Gauss and Newton, shorter as long
    as the sum doesn't fall.
    """
    at, damping = np.zeros(count), _DAMPING
    least = cost(at)
    for _ in range(_MOST_STEPS):
        second, first = normal(at)
        while damping < _MOST_DAMPING:
            step = np.linalg.solve(second + damping * np.diag(np.diag(second)), first)
            found = cost(at - step)
            if found <= least:
                break
            damping *= 8.0
        else:
            break
        fallen, at, least = least - found, at - step, found
        damping /= 8.0
        if fallen < _EVEN_COST * least:
            break
    return at, least
