"""Densitometer readings out of a CSV file: control strips in order, wedges and spots."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.control.limits import control_limits
from pipeline.control.table import (
    LARGEST_LOG_EXPOSURE,
    PATCHES,
    SPOTS,
    Row,
    date_in,
    kind_and_patch,
    number_in,
    read_table,
    words_of,
)
from pipeline.kinds import CHANNELS, Float64, Triple, as_triple
from pipeline.problem import ScanProblem
from pipeline.words import natural_key

NOT_READ: Triple = (math.nan, math.nan, math.nan)
_EARLIEST = datetime.min


@dataclass(frozen=True)
class ControlReading:
    """One control strip: density of each patch in red, green and blue, NaN where not read.

    `batch` is that of the chemistry; `date` is None where the file tells none.
    """

    strip: str
    date: datetime | None
    batch: str
    d_min: Triple = NOT_READ
    ld: Triple = NOT_READ
    hd: Triple = NOT_READ
    d_max: Triple = NOT_READ
    yellow: Triple = NOT_READ


@dataclass(frozen=True, eq=False)
class Wedge:
    """A step wedge: `log_exposure` (n,) in log10, rising, and `density` (n, 3), NaN where not read.

    Exposure is in lx s where `lux_seconds` says so, else relative.
    """

    strip: str
    date: datetime | None
    batch: str
    log_exposure: Float64
    density: Float64
    lux_seconds: bool = False


@dataclass(frozen=True)
class Spot:
    """One place on a film, of SPOTS, and its density, the mean of its readings."""

    strip: str
    date: datetime | None
    batch: str
    place: str
    density: Triple


@dataclass(frozen=True)
class Readings:
    """All readings of a file; `controls` are in order of time, else as they stand in the file.

    `aim` is the reference strip, None where the file has none; `aim_spots` are spot readings of
    the aim. `notes` are plain sentences on what was assumed.
    """

    path: Path
    aim: ControlReading | None
    controls: tuple[ControlReading, ...]
    wedges: tuple[Wedge, ...]
    spots: tuple[Spot, ...]
    aim_spots: tuple[Spot, ...]
    notes: tuple[str, ...]


# Strip, date and batch, which tell one strip from another.
_Group = tuple[str, datetime | None, str]


@dataclass(frozen=True)
class _Reading:
    row: Row
    kind: str
    patch: str
    group: _Group
    density: Triple
    log_exposure: float


def read_readings(path: Path) -> Readings:
    """Return the densitometer readings of a CSV file, a row for each patch read.

    Columns are `date`, `batch`, `strip`, `patch`, `red`, `green`, `blue`; or `density` instead of
    the three; for steps of a wedge `step`, `log_exposure` (relative), `log_exposure_lx_s` or
    `wedge_density`; and `kind`, which may be left out. Patches are d-min, ld, hd, d-max, yellow;
    step; base, edge-print, grey, picture. Rows of strip or kind `aim` are readings of the
    reference strip.

    Raises ScanProblem if the file is no such table, or a row makes no sense; it names line and
    cell.
    """
    table = read_table(path, words_of("columns"))
    if "patch" not in table.columns and "step" not in table.columns:
        raise ScanProblem(path, "has no column 'patch'", "add it, with d-min, ld, hd and so on")
    if not {*CHANNELS, "density"} & set(table.columns):
        raise ScanProblem(path, "has no column 'red', 'green' or 'blue'", "add the densities")
    readings = [_reading(row) for row in table.rows]
    if not readings:
        raise ScanProblem(path, "holds no readings", "give a row for each patch read")
    _check_dates(readings)
    notes = []
    if table.unused:
        unused = ", ".join(f"'{name}'" for name in table.unused[:8])
        notes.append(f"Columns not used: {unused}.")
    aim = [reading for reading in readings if reading.kind == "aim"]
    aim_patches = [reading for reading in aim if reading.patch in PATCHES]
    return Readings(
        path=path,
        aim=_control(("aim", None, ""), aim_patches) if aim_patches else None,
        controls=tuple(_control(group, rows) for group, rows in _groups(readings, "control")),
        wedges=tuple(_wedge(group, rows) for group, rows in _groups(readings, "step")),
        spots=tuple(
            spot for group, rows in _groups(readings, "spot") for spot in _spots(group, rows)
        ),
        aim_spots=tuple(_spots(("aim", None, ""), [r for r in aim if r.patch in SPOTS])),
        notes=tuple(notes),
    )


def _reading(row: Row) -> _Reading:
    kind, patch = kind_and_patch(row)
    highest = control_limits().reading.highest_density
    red, green, blue = (number_in(row, channel, 0.0, highest) for channel in CHANNELS)
    one = number_in(row, "density", 0.0, highest)
    if all(map(math.isnan, (red, green, blue))):
        red = green = blue = one
    if all(map(math.isnan, (red, green, blue))):
        raise row.problem("has no density", "add it, or take the row out")
    exposure = _log_exposure(row) if kind == "step" else math.nan
    group = (row["strip"], date_in(row), row["batch"])
    return _Reading(row, kind, patch, group, (red, green, blue), exposure)


def _log_exposure(row: Row) -> float:
    """Return log10 exposure of a step; through a wedge it is less by the wedge's own density."""
    bound = LARGEST_LOG_EXPOSURE
    exposure = number_in(row, "log_exposure_lx_s", -bound, bound)
    if math.isnan(exposure):
        exposure = number_in(row, "log_exposure", -bound, bound)
    if math.isnan(exposure):
        exposure = 0.0 - number_in(row, "wedge_density", 0.0, bound)
    if math.isnan(exposure):
        raise row.problem(
            "is a step without its exposure",
            "add a column log_exposure, or wedge_density with the wedge's own density",
        )
    return exposure


def _check_dates(readings: Sequence[_Reading]) -> None:
    """Refuse control strips of which some have a date and some have none: they have no order."""
    controls = [reading for reading in readings if reading.kind == "control"]
    undated = [reading for reading in controls if reading.group[1] is None]
    if undated and len(undated) < len(controls):
        raise undated[0].row.problem(
            "has no date though other strips have one", "give each control strip a date, or none"
        )


def _groups(readings: Iterable[_Reading], kind: str) -> list[tuple[_Group, list[_Reading]]]:
    """Return the readings of each strip, by date and then by name; without dates as they stand."""
    groups: dict[_Group, list[_Reading]] = {}
    for reading in readings:
        if reading.kind == kind:
            groups.setdefault(reading.group, []).append(reading)

    def key(item: tuple[_Group, list[_Reading]]) -> tuple[object, ...]:
        strip, date, batch = item[0]
        if date is None:
            return (_EARLIEST, (), "", "")
        return (date, natural_key(strip), batch, strip)

    return sorted(groups.items(), key=key)


def _control(group: _Group, rows: Sequence[_Reading]) -> ControlReading:
    """Return a strip; patches read several times are averaged, if they are of one strip."""
    patches: dict[str, Triple] = {}
    for patch in PATCHES:
        same = [reading for reading in rows if reading.patch == patch]
        densities = np.array([reading.density for reading in same]).reshape(-1, 3)
        highest = np.fmax.reduce(densities, initial=-math.inf)
        apart = float((highest - np.fmin.reduce(densities, initial=math.inf)).max())
        if apart > control_limits().reading.same_patch_density + 1e-9:
            raise same[-1].row.problem(
                f"reads patch {patch} of strip '{_strip_name(group)}' again, {apart:.2f} apart",
                "give each strip a name of its own in column 'strip', or correct the reading",
            )
        patches[patch.replace("-", "_")] = _mean(densities)
    _check_order(group, rows, patches)
    return ControlReading(_strip_name(group), group[1], group[2], **patches)


def _check_order(group: _Group, rows: Sequence[_Reading], patches: dict[str, Triple]) -> None:
    """Refuse a strip whose patches are changed over: more exposure never makes it thinner."""
    alike = control_limits().reading.same_patch_density
    for thin, dense in (("d-min", "ld"), ("ld", "hd")):
        more = np.subtract(patches[dense], patches[thin.replace("-", "_")])
        if np.isfinite(more).any() and np.nanmean(more) < -alike:
            row = next(reading.row for reading in rows if reading.patch == dense)
            raise row.problem(
                f"makes {dense} of strip '{_strip_name(group)}' thinner than its {thin}",
                "check which patch is which",
            )


def _strip_name(group: _Group) -> str:
    strip, date, batch = group
    return strip or (date_text(date) if date else batch) or "1"


def date_text(date: datetime) -> str:
    """Return a date in ISO 8601, with hours and minutes unless it is midnight."""
    return date.strftime("%Y-%m-%d %H:%M").removesuffix(" 00:00")


def _mean(densities: Float64) -> Triple:
    """Return the mean of each channel over what was read of it, the same in any order."""
    known = (sorted(channel[np.isfinite(channel)]) for channel in densities.T)
    return as_triple(math.fsum(c) / len(c) if c else math.nan for c in known)


def _wedge(group: _Group, rows: Sequence[_Reading]) -> Wedge:
    steps: dict[float, list[Triple]] = {}
    for reading in rows:
        steps.setdefault(reading.log_exposure, []).append(reading.density)
    if len(steps) < 2:
        raise rows[0].row.problem(
            "is the only step of its wedge", "add the other steps, or take it out"
        )
    exposures = sorted(steps)
    density = np.array([_mean(np.array(steps[exposure])) for exposure in exposures])
    lux_seconds = all(reading.row["log_exposure_lx_s"] for reading in rows)
    return Wedge(_strip_name(group), group[1], group[2], np.array(exposures), density, lux_seconds)


def _spots(group: _Group, rows: Sequence[_Reading]) -> list[Spot]:
    spots = []
    for place in SPOTS:
        densities = [reading.density for reading in rows if reading.patch == place]
        if densities:
            mean = _mean(np.array(densities))
            spots.append(Spot(_strip_name(group), group[1], group[2], place, mean))
    return spots
