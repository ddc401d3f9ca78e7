"""How film lies in a picture of it that isn't straight: seen aslant, through a lens, bowed.

One map is fitted to all that is known to lie straight on film and shows: its edges and its
perforations, which stand at one pitch. Without signs that it bends, film is taken for straight.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Mask, Numbers, Points, as_matrix, as_triple
from pipeline.strip.density import measure_limits
from pipeline.strip.view import FilmMap

_LEAST_POINTS = 8
_BINS = 40
_LEAST_SIGMA_PX = 0.1
_CURVE_DEGREE, _CURVE_ROUNDS = 4, 12
# Unknowns of film that lies straight: shift (2), turn, logarithm of scale. Those that bend it, in
# this order: narrower along and across the film (as seen aslant), drawn out along it, sheared,
# three terms of a bow, a lens that draws outwards.
_STRAIGHT = 4
_BENDS = ("aslant", "aslant", "drawn_out", "sheared", "bowed_mm", "bowed_mm", "bowed_mm", "radial")
# How far the first guess of the former may be off, pixels and radians: so that what no point tells
# stays where it was.
_STRAIGHT_SPREAD = (50.0, 50.0, 0.2, 0.1)
# Deviations beyond which a point counts less and less.
_OUTLYING = 3.0


@dataclass(frozen=True)
class FilmLine:
    """Points (n, 2) of a view that on film lie on one straight line along it.

    `across_mm` is how far the line lies from the film's upper edge, known to so much as
    `across_sigma_mm`; `steps` (n,) counts perforations, None for an edge; `sigma_px` is the
    standard error of one point.
    """

    points: Points
    across_mm: float
    across_sigma_mm: float
    sigma_px: float
    steps: Numbers | None = None
    pitch_mm: float = 1.0


@dataclass(frozen=True)
class CrossLine:
    """Two points (2, 2) of a view that on film lie on one straight line across it.

    `sigma_px` is the standard error of their distance along the film.
    """

    points: Points
    sigma_px: float


@dataclass(frozen=True)
class Bend:
    """A map from level film to the proxy, and by how much (root mean square) points are off it.

    The map's pixels are as large as the proxy's at the film's middle; it is None where nothing
    shows that film isn't straight.
    """

    way: FilmMap | None
    rest_px: float


def curve_through(x: Numbers, y: Numbers, tolerance: float) -> Mask:
    """Return which points (n,) lie on the smooth curve that most do."""
    if len(x) < _LEAST_POINTS:
        return np.zeros(len(x), bool)
    from numpy.polynomial import polynomial

    t = (x - x.mean()) / max(float(np.ptp(x)) / 2, 1.0)
    weight, rest = np.ones(len(x)), np.abs(y - np.median(y))
    width = max(tolerance, float(np.median(rest)))
    for _ in range(_CURVE_ROUNDS):
        fitted = polynomial.polyfit(t, y, _CURVE_DEGREE, w=np.sqrt(weight))
        rest = np.abs(y - polynomial.polyval(t, fitted))
        width = max(tolerance, 0.6 * width)
        weight = 1.0 / (1.0 + (rest / width) ** 2)
    near: Mask = rest < 2 * tolerance
    return near


def in_stretches(x: Numbers, y: Numbers) -> tuple[Points, float]:
    """Return the medians (n, 2) of points in stretches along the film, and their standard error."""
    parts = np.array_split(np.argsort(x), max(1, min(_BINS, len(x) // 4)))
    middles = np.array([[x[part].mean(), np.median(y[part])] for part in parts])
    scatter = float(np.median([np.abs(y[part] - np.median(y[part])).mean() for part in parts]))
    each = 1.5 * scatter / math.sqrt(max(len(x) / len(parts), 1.0))
    return middles, max(_LEAST_SIGMA_PX, each)


def find_bend(
    lines: Sequence[FilmLine],
    bars: Sequence[CrossLine],
    way: FilmMap,
    px_per_mm: float,
    shape: tuple[int, int],
) -> Bend | None:
    """Return how film bends, or None where there are no lines to tell.

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
        return Bend(None, fit.rest_px(straight))
    ends = fit.grid()
    moved = float(np.hypot(*(fit.onto(bent, *ends) - fit.onto(straight, *ends)).T).max())
    if moved < float(limits["least_move_mm"]) * px_per_mm:
        return Bend(None, fit.rest_px(straight))
    return Bend(fit.map_of(bent), fit.rest_px(bent))


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
    """Points to be met: film places (mm) and seen places (proxy pixels) of all lines together.

    `line` tells to which line a point belongs, `hole` whether it tells a place along the film,
    too. `origin` is where the proxy's middle lies on film; `reach` how far its corners are from
    it, in mm and in pixels; `middle`, `half` where the film's middle is and half its length.
    `bars` and `bars_seen` are the ends of lines across the film, by pairs.
    """

    along: Numbers
    across: Numbers
    line: Numbers
    seen: Points
    sigma: Numbers
    hole: Mask
    level_sigma: Numbers
    bars: Points
    bars_seen: Points
    bar_sigma: Numbers
    start: Numbers
    centre: Points
    origin: Points
    reach: tuple[float, float]
    middle: float
    half: float

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
        return _Fit(
            along=np.concatenate(along),
            across=np.repeat([line.across_mm for line in lines], sizes),
            line=np.repeat(np.arange(len(lines)), sizes),
            seen=np.concatenate([way.onto(line.points) for line in lines]),
            sigma=np.repeat([line.sigma_px for line in lines], sizes),
            hole=np.repeat([line.steps is not None for line in lines], sizes),
            level_sigma=np.array([line.across_sigma_mm for line in lines]),
            bars=_bars_on_film(bars, px_per_mm, float(top)),
            bars_seen=way.onto(np.concatenate([np.empty((0, 2)), *(bar.points for bar in bars)])),
            bar_sigma=np.array([bar.sigma_px for bar in bars]),
            start=np.array([0.0, 0.0, turn, math.log(px_per_mm)]),
            centre=centre,
            origin=origin,
            reach=(radius / px_per_mm, radius),
            middle=float(every.min() + every.max()) / 2,
            half=max(float(np.ptp(every)) / 2, 1.0),
        )

    def onto(self, unknowns: Numbers, along: Numbers, across: Numbers) -> Points:
        """Return where places on film (n, mm) are seen by a map's unknowns, proxy pixels."""
        return self.map_of(unknowns, 1.0).onto(np.column_stack([along, across]))

    def map_of(self, unknowns: Numbers, px_per_mm: float | None = None) -> FilmMap:
        """Return the map that unknowns make, from pixels of so many a mm, else the proxy's."""
        x, y, turn, log_scale, *bends = unknowns[: _STRAIGHT + len(_BENDS)].tolist()
        aslant_x, aslant_y, drawn, sheared, *bow, radial = bends
        scale = math.exp(log_scale)
        cos, sin = scale * math.cos(turn), scale * math.sin(turn)
        shift = self.centre + np.array([x, y])
        turned = np.array([[cos, -sin, shift[0]], [sin, cos, shift[1]], [0.0, 0.0, 1.0]])
        reach_mm, reach_px = self.reach
        seen = np.array(
            [
                [1.0 + drawn, sheared, 0.0],
                [0.0, 1.0, 0.0],
                [aslant_x / reach_mm, aslant_y / reach_mm, 1.0],
            ]
        )
        from_origin = np.array(
            [[1.0, 0.0, -self.origin[0]], [0.0, 1.0, -self.origin[1]], [0.0, 0.0, 1.0]]
        )
        mm = turned @ seen @ from_origin
        cx, cy = self.centre.tolist()
        way = FilmMap(
            as_matrix(mm / mm[2, 2]), as_triple(bow), self.middle, self.half,
            radial, (cx, cy), reach_px,
        )  # fmt: skip
        if px_per_mm is None:
            across = float(self.across.min() + self.across.max()) / 2
            px_per_mm = way.px_per_px((self.middle, across))
        return way.enlarged(px_per_mm)

    def grid(self) -> tuple[Numbers, Numbers]:
        """Return places all over the film: along and across it (n,), mm."""
        along = np.linspace(self.middle - self.half, self.middle + self.half, 9)
        across = np.array([self.across.min(), self.across.max()])
        return np.repeat(along, 2), np.tile(across, len(along))

    def off(self, unknowns: Numbers) -> tuple[Numbers, Numbers]:
        """Return how far points are seen from where they should be: along and across, pixels."""
        levels = unknowns[_STRAIGHT + len(_BENDS) : -1]
        across = self.across + levels[self.line.astype(int)]
        way = self.map_of(unknowns, 1.0)
        there = way.onto(np.column_stack([self.along, across]))
        beside = way.onto(np.column_stack([self.along + 1.0, across])) - there
        tangent = beside / np.hypot(*beside.T)[:, None]
        away = self.seen - there
        normal = away[:, 1] * tangent[:, 0] - away[:, 0] * tangent[:, 1]
        return (away * tangent).sum(axis=1), normal

    def off_bars(self, unknowns: Numbers) -> Numbers:
        """Return how far the ends of lines across the film are apart along it, pixels."""
        way = self.map_of(unknowns, 1.0)
        there = way.onto(self.bars)
        beside = way.onto(self.bars + np.array([1.0, 0.0])) - there
        along = ((self.bars_seen - there) * beside).sum(axis=1) / np.hypot(*beside.T)
        turned = unknowns[-1] * np.hypot(*(self.bars_seen[1::2] - self.bars_seen[::2]).T)
        return np.asarray(along[1::2] - along[::2] - turned)

    def rest_px(self, unknowns: Numbers) -> float:
        """Return the root mean square of what is left across the film, far outliers capped."""
        _, normal = self.off(unknowns)
        return float(np.sqrt(np.mean(np.clip(normal / self.sigma, -5, 5) ** 2 * self.sigma**2)))

    def solved(self, usual: Numbers) -> tuple[Numbers, float]:
        """Return the likeliest unknowns, and the sum of squared deviations that they leave.

        `usual` are standard deviations of what bends film, zero where it isn't to bend.
        """
        from scipy.optimize import least_squares

        gate = float(measure_limits("bend")["gate_turned"]) * (len(self.bar_sigma) > 0)
        spread = np.concatenate([_STRAIGHT_SPREAD, usual, self.level_sigma, [gate]])
        free = spread > 0
        first = np.zeros(len(spread))
        first[:_STRAIGHT] = self.start

        def rests(some: Numbers) -> Numbers:
            unknowns = first.copy()
            unknowns[free] = some
            along, normal = self.off(unknowns)
            parts = [normal / self.sigma, along[self.hole] / self.sigma[self.hole]]
            if len(self.bar_sigma):
                parts.append(self.off_bars(unknowns) / self.bar_sigma)
            off = np.concatenate(parts)
            held = np.sign(off) * _OUTLYING * np.sqrt(2 * (np.sqrt(1 + (off / _OUTLYING) ** 2) - 1))
            return np.concatenate([held, (unknowns - first)[free] / spread[free]])

        found = least_squares(rests, first[free], x_scale=spread[free], max_nfev=40)
        unknowns = first.copy()
        unknowns[free] = found.x
        return unknowns, 2.0 * float(found.cost)
