"""Film edges as straight lines: where what shows of a strip ends."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.channels import median
from pipeline.kinds import Light, Mask, Numbers, Plane, Points

_OPEN_GATE, _HOLDER, _BORDER = 1, 0, 2
_LEAST_RUN_MM = 0.8
_LEAST_SEEN = 0.2
_MOST_BEYOND = 0.15
_CLEARLY_BEYOND_MM = 0.4
_TOLERANCE_MM = 0.1
_MOST_COLUMNS = 600


@dataclass(frozen=True)
class EdgeLine:
    """Where what shows of a strip ends on one side: y = slope * x + level, pixels of the view.

    `against_gate` tells that open gate lies beyond, so that it is the film's own edge; else the
    holder covers the film there, or the scan ends. `support` is the share of columns on the line.
    """

    slope: float
    level: float
    against_gate: bool
    support: float
    points: Points = field(default_factory=lambda: np.empty((0, 2)), compare=False)

    def at(self, x: float) -> float:
        """Return the line's row at a column."""
        return self.slope * x + self.level

    def below(self, x: Numbers, y: Numbers) -> Numbers:
        """Return how far points lie below the line, in rows."""
        return y - self.slope * x - self.level


def robust_line(x: Numbers, y: Numbers, tolerance: float, most_slope: float) -> tuple[float, float]:
    """Return slope and level of the line that most points lie on.

    Parameters
    ----------
    x, y
        Points, at least one.
    tolerance
        How far points on a line may be off it.
    most_slope
        Steepest slope that is looked for, either way.

    Notes
    -----
    Slopes are tried one by one so closely that the ends stay within the tolerance; least
    squares over the points on the best line follow.
    """
    from pipeline.strip.kernel import fullest_slope

    if len(x) < 3:
        return 0.0, float(np.median(y))
    middle = float(median(x))
    step = max(len(x) // _MOST_COLUMNS, 1)
    some_x, some_y = x[::step] - middle, np.ascontiguousarray(y[::step])
    reach = max(float(np.ptp(some_x)) / 2, 1.0)
    tries = min(2 * int(np.ceil(most_slope * reach / tolerance)) + 1, 401)
    slopes = np.array(sorted(np.linspace(-most_slope, most_slope, max(tries, 3)), key=abs))
    slope = float(slopes[fullest_slope(some_x, some_y, slopes, 2 * tolerance)])
    level = _fullest(np.sort(some_y - slope * some_x), 2 * tolerance)
    kept: Mask | None = None
    for _ in range(6):
        rest = np.abs(y - slope * (x - middle) - level)
        near = rest[rest < 2 * tolerance]
        limit = max(0.3 * tolerance, 3.0 * float(median(near))) if len(near) else tolerance
        keep = rest < min(limit, 2 * tolerance)
        if keep.sum() < 3 or np.ptp(x[keep]) == 0 or (kept is not None and (keep == kept).all()):
            break
        kept = keep
        slope, level = least_squares_line(x[keep] - middle, y[keep])
    return slope, level - slope * middle


def _fullest(ordered: Numbers, width: float) -> float:
    """Return the mean of the values (n, ascending) in the first fullest window."""
    counts = np.searchsorted(ordered, ordered + width, "right") - np.arange(len(ordered))
    start = int(np.argmax(counts))
    return float(ordered[start : start + counts[start]].mean())


def least_squares_line(x: Numbers, y: Numbers) -> tuple[float, float]:
    """Return slope and level of the line through points (two or more, not all above another)."""
    at, height = float(x.mean()), float(y.mean())
    away = x - at
    slope = float(away @ (y - height)) / float(away @ away)
    return slope, height - slope * at


def find_edges(
    view: Light, film: Mask, valid: Mask, share: Plane, px_per_mm: float, most_slope: float
) -> tuple[EdgeLine, EdgeLine] | None:
    """Return the upper and lower end of what shows of a strip, or None where nothing does.

    Parameters
    ----------
    view
        Straightened strip (h, w, 3), linear light, with some of its surround.
    film, valid
        (h, w) where it shows film, and where it lies inside the scan.
    share
        (h, w) share of open gate in a pixel.
    px_per_mm
        Scale, roughly.
    most_slope
        How far from level the edges may be.
    """
    upper = _edge(view, film, valid, share, px_per_mm, most_slope)
    lower = _edge(view[::-1], film[::-1], valid[::-1], share[::-1], px_per_mm, most_slope)
    if upper is None or lower is None:
        return None
    last = view.shape[0] - 1
    points = np.column_stack([lower.points[:, 0], last - lower.points[:, 1]])
    return upper, EdgeLine(
        -lower.slope, last - lower.level, lower.against_gate, lower.support, points
    )


def _edge(
    view: Light, film: Mask, valid: Mask, share: Plane, px_per_mm: float, most_slope: float
) -> EdgeLine | None:
    """Return the upper edge line of a view."""
    run = max(2, round(_LEAST_RUN_MM * px_per_mm))
    firsts = first_runs(film, run)
    columns = np.flatnonzero(firsts >= 0)
    if len(columns) < 8:
        return None
    rows = firsts[columns]
    places, beyond = _sub_pixel(view, valid, share, columns, rows)
    x = columns.astype(float)
    tolerance = max(0.5, _TOLERANCE_MM * px_per_mm)
    open_gate = beyond == _OPEN_GATE
    points = np.column_stack([x[open_gate], places[open_gate]])
    if open_gate.mean() > _LEAST_SEEN:
        slope, level = robust_line(x[open_gate], places[open_gate], tolerance, most_slope)
        rest = places - slope * x - level
        support = float((np.abs(rest[open_gate]) < 2 * tolerance).sum() / len(x))
        outside = float((rest < -_CLEARLY_BEYOND_MM * px_per_mm).mean())
        if support > _LEAST_SEEN * 0.6 and outside < _MOST_BEYOND:
            return EdgeLine(slope, level, True, support, points)
    covered = ~open_gate
    if covered.mean() < _LEAST_SEEN:
        # Film that is bowed lies on no straight line; a few covered columns don't tell where.
        covered = np.ones(len(x), bool)
    slope, level = robust_line(x[covered], places[covered], tolerance, most_slope)
    support = float((np.abs(places - slope * x - level) < 2 * tolerance).mean())
    return EdgeLine(slope, level, False, support, points)


def first_runs(mask: Mask, run: int) -> NDArray[np.int64]:
    """Return the first row (w,) of each column from which a mask is true `run` times, else -1."""
    from pipeline.strip.kernel import first_runs_of

    found = np.empty(mask.shape[1], np.int64)
    first_runs_of(mask, run, found)
    return found


def _sub_pixel(
    view: Light, valid: Mask, share: Plane, columns: NDArray[np.int64], rows: NDArray[np.int64]
) -> tuple[Numbers, NDArray[np.int64]]:
    """Return the edge's place in each column, and what lies beyond it.

    Light half way between both sides is where an edge runs through the middle of a pixel.
    """
    height = view.shape[0]

    def at(offset: int) -> NDArray[np.int64]:
        return np.clip(rows + offset, 0, height - 1)

    offsets = range(-3, 3)
    lights = np.stack([view[at(k), columns] for k in offsets]).astype(float)
    inner = lights[-2:].mean(axis=0)
    contrast = ((lights[:3] - inner) ** 2).sum(axis=2)
    outer = np.take_along_axis(lights[:3], np.argmax(contrast, axis=0)[None, :, None], axis=0)[0]
    way = outer - inner
    level = ((lights - inner) * way).sum(axis=2) / np.maximum((way**2).sum(axis=1), 1e-12)
    places = rows.astype(float)
    placed = np.zeros(len(rows), bool)
    for index in range(len(offsets) - 2, -1, -1):
        here, next_in = level[index], level[index + 1]
        crosses = ~placed & (here >= 0.5) & (next_in < 0.5)
        part = (0.5 - next_in[crosses]) / (here[crosses] - next_in[crosses])
        places[crosses] = rows[crosses] + offsets[index + 1] - part
        placed |= crosses
    opened = np.max([share[at(k), columns] for k in (-3, -2, -1)], axis=0) > 0.5
    beyond = np.where(opened, _OPEN_GATE, _HOLDER)
    outside = (rows < 2) | ~valid[at(-2), columns]
    return np.where(outside, rows - 0.5, places), np.where(outside, _BORDER, beyond)
