"""Perforations along a straightened strip: its rows of holes and their pitch."""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.channels import median
from pipeline.kinds import Mask, Numbers, Plane, Points, Whole
from pipeline.profile import FilmSize
from pipeline.strip.density import measure_limits
from pipeline.strip.film_edge import EdgeLine, least_squares_line, robust_line

_LEAST_HOLES = 4
_MOST_SLOPE = 0.06
_LENGTH_SLACK = 0.3
_PITCH_SPREAD = 0.05
# From so many holes on, their pitch may be seen to change along the film. How far a hole may be out
# of step, in pitches, and how soon the pitch is taken to have changed.
_HOLES_ASLANT = 8
_IN_STEP, _FOLLOWING = 0.2, 0.5
_LEAST_RIM_MM = 0.7
_WHOLE_SHARE = 0.95
# So large are a row's holes that so many percent of them look no larger.
_LARGER = 80.0


@dataclass(frozen=True)
class PerforationRow:
    """One row of holes: a line y = slope * x + level in pixels of the view.

    It runs through the holes' centres, or where their outer parts are hidden through their inner
    edges, and lies `from_edge_mm` inside the film's edge; `count` is the number of holes. `points`
    (n, 2) are the holes' own places on it, `steps` (n,) how many pitches each is from one of them,
    the same for both rows. `short_mm` is by how much all holes look smaller than they are, along
    and across the film.
    """

    slope: float
    level: float
    from_edge_mm: float
    on_bottom: bool
    count: int
    points: Points = field(default_factory=lambda: np.empty((0, 2)), compare=False)
    steps: Numbers = field(default_factory=lambda: np.empty(0), compare=False)
    short_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Perforations:
    """The rows of holes in a view, one or two, and their pitch in pixels."""

    rows: tuple[PerforationRow, ...]
    pitch_px: float

    def double_mm(self, whole_width: bool) -> tuple[float, float]:
        """Return how far from the film its double lies, along and across it.

        Light that comes back from paper below the film has passed it twice, at two places: what is
        open in both is smaller by so much, less what is open in one. A holder covers parts of one
        row, or of both where the film doesn't show in its whole width; then it is as far off
        across as along.
        """
        limits = measure_limits("double")
        error, once = float(limits["hole_error_mm"]), float(limits["open_once"])
        short = (min(row.short_mm[way] for row in self.rows) for way in (0, 1))
        sure = (math.sqrt(max(0.0, mm * abs(mm) - error**2)) for mm in short)
        along, across = (mm / (1.0 - 2.0 * once) for mm in sure)
        return along, across if whole_width else along


@dataclass(frozen=True)
class _Holes:
    """Holes one by one: centres, lengths along the film, upper and lower edges, in pixels."""

    x: Numbers
    length: Numbers
    top: Numbers
    bottom: Numbers

    def inner(self, on_bottom: bool) -> Numbers:
        """Return the holes' edges that lie towards the pictures."""
        return self.top if on_bottom else self.bottom

    def take(self, keep: Mask | Whole) -> "_Holes":
        return _Holes(self.x[keep], self.length[keep], self.top[keep], self.bottom[keep])


def find_perforations(
    share: Plane, film: FilmSize, edges: tuple[EdgeLine, EdgeLine]
) -> Perforations | None:
    """Return the perforations of a straightened strip, or None where it shows none.

    Parameters
    ----------
    share
        (h, w) share of open gate in a pixel, 0 to 1, in linear light; level within 3 degrees.
    film
        Kind of film with perforations.
    edges
        Upper and lower end of what shows of the strip.

    Notes
    -----
    A hole is told by its shape (ISO 1007, from memory: 1.981 by 2.794 mm every 4.750 mm, so
    that length is 0.417 of the pitch whatever the scale), and by others in line with it.
    """
    first_row, last_row = (edge.at((share.shape[1] - 1) / 2) for edge in edges)
    holes = _blobs(share)
    # Beyond what shows of this strip may be the holes of the next one.
    centres = (holes.top + holes.bottom) / 2
    upper, lower = (edge.below(holes.x, centres) for edge in edges)
    holes = holes.take((upper > 0) & (lower < 0))
    middle = (first_row + last_row) / 2
    centres = (holes.top + holes.bottom) / 2
    found = []
    for on_bottom in (False, True):
        side = holes.take(centres > middle if on_bottom else centres <= middle)
        row = _row(side, film, edges[on_bottom], on_bottom)
        if row is not None:
            found.append(row)
    if not found:
        return None
    weights = [float(row.count) ** 3 for row, _ in found]
    pitch = float(np.average([pitch for _, pitch in found], weights=weights))
    first = found[0][0]
    rows = tuple(_in_step(row, first, pitch) for row, _ in found)
    return Perforations(rows, pitch)


def _in_step(row: PerforationRow, first: PerforationRow, pitch: float) -> PerforationRow:
    """Return a row whose steps are counted from the same place as those of the first one."""
    if row is first:
        return row
    middle = len(row.steps) // 2
    nearest = int(np.argmin(np.abs(first.points[:, 0] - row.points[middle, 0])))
    apart = np.round((row.points[middle, 0] - first.points[nearest, 0]) / pitch)
    return replace(row, steps=row.steps - row.steps[middle] + first.steps[nearest] + apart)


def _blobs(share: Plane) -> _Holes:
    """Return open places whose shape a perforation may have, measured to sub-pixels."""
    from pipeline.strip.hole_kernel import holes_in

    return _Holes(*np.ascontiguousarray(holes_in(np.ascontiguousarray(share, np.float32)).T))


def _row(
    holes: _Holes, film: FilmSize, edge: EdgeLine, on_bottom: bool
) -> tuple[PerforationRow, float] | None:
    """Return the row that most holes of one side of the strip make, with its pitch."""
    across = film.perforation_across_mm or 1.0
    if len(holes.x) < _LEAST_HOLES:
        return None
    inner = holes.inner(on_bottom)
    length = float(np.median(holes.length))
    line = robust_line(holes.x, inner, 0.15 * length, _MOST_SLOPE)
    near = np.abs(inner - line[0] * holes.x - line[1]) < 0.3 * length
    if not near.any():
        return None
    similar = np.abs(holes.length / np.median(holes.length[near]) - 1) < _LENGTH_SLACK
    row = holes.take(near & similar)
    pitch = _pitch(row, film)
    if pitch is None:
        return None
    row = row.take(np.argsort(row.x))
    tall = row.bottom - row.top
    scale = pitch / (film.perforation_pitch_mm or 1.0)
    # A holder that just reaches a hole cuts it shorter without a trace; the rest is kept apart.
    outer = row.bottom if on_bottom else row.top
    clear = float(np.median(np.abs(edge.below(row.x, outer))))
    least = float(np.percentile(tall, 20)) > _WHOLE_SHARE * across * scale
    whole = least and clear > _LEAST_RIM_MM * scale
    slope, level = robust_line(row.x, row.inner(on_bottom), 0.1 * length, _MOST_SLOPE)
    if whole:
        level = float(np.median((row.top + row.bottom) / 2 - slope * row.x))
    from_edge = (film.perforation_from_edge_mm or 0.0) + (across / 2 if whole else across)
    across_row = (row.top + row.bottom) / 2 if whole else row.inner(on_bottom)
    points = np.column_stack([row.x, across_row])
    steps = _steps(row.x, pitch)
    # A double covers as much of each hole; uneven light and dust do of some.
    largest = (np.percentile(size, _LARGER) / scale for size in (row.length, tall))
    sizes = (film.perforation_along_mm or 1.0, across)
    shorter = tuple(mm - float(seen) for mm, seen in zip(sizes, largest, strict=True))
    found = (slope, level, from_edge, on_bottom, len(row.x), points, steps)
    return PerforationRow(*found, (shorter[0], shorter[1])), pitch


def _steps(x: Numbers, pitch: float) -> Numbers:
    """Return how many pitches holes (n,), in order, stand from the middle one.

    They are counted from hole to hole, as a pitch that is seen aslant changes along the film;
    what stands between them is counted from the last one that was in step.
    """
    local, last, places = pitch, 0, x.tolist()
    counted = [0.0] * len(places)
    for place in range(1, len(places)):
        apart = (places[place] - places[last]) / local
        many = float(round(apart))
        counted[place] = counted[last] + many
        if many >= 1 and abs(apart - many) < _IN_STEP:
            local *= 1.0 + _FOLLOWING * (apart / many - 1.0)
            last = place
    return np.array(counted) - counted[len(places) // 2]


def _pitch(row: _Holes, film: FilmSize) -> float | None:
    """Return the spacing of holes in a row, or None if they do not stand as perforations do."""
    if len(row.x) < _LEAST_HOLES:
        return None
    x = np.sort(row.x)
    steps = np.diff(x)
    length = float(np.median(row.length))
    single = steps[(steps > 1.7 * length) & (steps < 3.4 * length)]
    if len(single) < _LEAST_HOLES - 1 or len(single) < 0.5 * len(steps):
        return None
    fitted = _even_pitch(x, float(np.median(single)), 1)
    if fitted is None and len(x) >= _HOLES_ASLANT:
        fitted = _even_pitch(x, float(np.median(single)), 3)
    return fitted


def _even_pitch(x: Numbers, pitch: float, degree: int) -> float | None:
    """Return the mean pitch of holes whose places are a polynomial of their steps, or None."""
    for _ in range(3):
        index = _steps(x, pitch)
        if degree == 1:
            slope, level = least_squares_line(index, x)
            rest = x - slope * index - level
        else:
            rest = x - np.polyval(np.polyfit(index, x, degree), index)
        keep = np.abs(rest) < max(3 * float(median(np.abs(rest))), 0.02 * pitch)
        if keep.sum() < _LEAST_HOLES or np.ptp(index[keep]) < 1:
            return None
        pitch, _ = least_squares_line(index[keep], x[keep])
    spread = float(np.median(np.abs(rest)))
    return pitch if spread < _PITCH_SPREAD * pitch else None
