"""What a frame shows that the colour is to be taken from: a chart or a card, if it can be used."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.chart import ChartReading, GreyReading, find_chart, read_chart, read_grey
from pipeline.kinds import Float32, Float64
from pipeline.problem import SettingsProblem
from pipeline.settings import ReferenceFrame

CLEAR_CHART = 0.95
"""Confidence at which a chart that nobody named is taken for one."""
_LEAST_CONFIDENCE = 0.5
# Steps of the neutral row that must be told apart, and by how much density.
_LEAST_STEPS, _STEP = 4, 0.03
_NEUTRALS = slice(18, 24)
_PATTERNED = "has a pattern, as bricks, stones and leaves have, and grey cards have not"


def shown_by(
    reference: ReferenceFrame,
    picture: Float32,
    found: ChartReading | None = None,
    scan: Path | None = None,
) -> ChartReading | GreyReading:
    """Return the chart or card that a reference frame shows, as far as the user says so.

    `picture` (h, w, 3) is its density above base, straightened; `found` the chart that was found on
    it before; `scan` is named where it can't be used.

    Raises SettingsProblem if it shows neither, or what it shows can't be used.
    """
    number = reference.frame
    if reference.corners is not None:
        corners = np.array(reference.corners) * picture.shape[1::-1] - 0.5
        return _usable(number, read_chart(picture, corners), True, scan)
    if reference.grey is not None:
        return _in_area(number, read_grey(picture, reference.grey), scan)
    if reference.chart is not False:
        chart = found or find_chart(picture)
        if chart is not None and chart.confidence >= _LEAST_CONFIDENCE:
            return _usable(number, chart, False, scan)
    if reference.chart:
        raise SettingsProblem(
            scan,
            f"no 24-patch chart is found in {_named(number)}",
            "give its corners under [reference] in roll.toml, or name another frame",
        )
    return _in_middle(number, read_grey(picture), scan)


def _named(number: str) -> str:
    return f"reference frame {number}"


def _in_area(number: str, grey: GreyReading, scan: Path | None) -> GreyReading:
    if grey.is_even:
        return grey
    why = f": it {_PATTERNED}" if grey.is_patterned else ", or as clear as the film base"
    raise SettingsProblem(
        scan,
        f"the grey area in {_named(number)} is not even{why}",
        "give an area inside the card, clear of shadows and edges, or name a frame with a card",
    )


def _in_middle(number: str, grey: GreyReading, scan: Path | None) -> GreyReading:
    if grey.is_even:
        return grey
    shows = f"{_named(number)} shows no 24-patch chart, and no even card in its middle"
    raise SettingsProblem(
        scan,
        f"{shows}, which {_PATTERNED}" if grey.is_patterned else shows,
        "give corners or grey under [reference] in roll.toml, or name another frame",
    )


def _usable(number: str, chart: ChartReading, by_corners: bool, scan: Path | None) -> ChartReading:
    if by_corners and chart.confidence == 0.0:
        raise SettingsProblem(
            scan,
            f"what the corners enclose in {_named(number)} is no 24-patch chart",
            "give the outer corners of its four corner patches, one after the other around it",
        )
    trouble = chart_trouble(chart.densities)
    if trouble is not None:
        raise SettingsProblem(
            scan, f"the chart in {_named(number)} {trouble}", "name another frame"
        )
    return chart


def no_frame(what: str, numbers: Sequence[str]) -> SettingsProblem:
    """Return what is wrong where a frame that the user names is not among the roll's numbers."""
    there = f"frames {numbers[0]} to {numbers[-1]}" if numbers else "no frames"
    return SettingsProblem(
        None,
        f"there is no {what} on the roll, which has {there}",
        "give the number as on the contact sheet",
    )


def is_clear(chart: ChartReading) -> bool:
    """Tell whether a chart that nobody named is so clear that it may be taken."""
    return chart.confidence >= CLEAR_CHART and chart_trouble(chart.densities) is None


def chart_trouble(densities: Float64) -> str | None:
    """Return why a chart (24, 3) can't be used, or None: its greys must differ."""
    steps = -np.diff(densities[_NEUTRALS], axis=0)
    told = steps.min(axis=1) > _STEP
    if np.count_nonzero(told) >= _LEAST_STEPS:
        return None
    lights, darks = np.count_nonzero(told[:2]), np.count_nonzero(told[-2:])
    if darks < lights:
        return "is under-exposed: its dark greys all look alike"
    if lights < darks:
        return "is over-exposed, or scanned too dark: its light greys all look alike"
    return "has greys that can't be told apart"
