"""Edge codes as a chain: believed for what they say together along the strip."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.edge.code import EdgeFormat, code_text, encode, position_of, values_of
from pipeline.edge.rebate import Rebate
from pipeline.edge.track import Sighting, Track, fit_track, seen_codes

# How far a code may stand from its place between its neighbours, in steps from code to code,
# and the errors of scale (film shrinks, resolution tags round) under which places are compared.
OFF_PLACE = 0.12
SCALE_ERRORS = (0.0, -0.01, 0.01, -0.02, 0.02, -0.03, 0.03)
# Readings that must agree, of one code alone or of several together, and how many times those that
# agree on anything else.
LONE_READS, LEAST_READS = 5, 3
OVER_RIVAL = 2
# How like the code that is expected in its place the print must look.
LEAST_MATCH = 0.75
# Modules of a code that the strip's end may have cut off.
CUT_MODULES = 0.5


@dataclass(frozen=True)
class EdgeCode:
    """One barcode on the edge.

    `text` is as zxing-cpp writes it, such as 115-10/11A; `number` the place along the film in
    frames, 11.5 for 11A, X and 00 being -2 and -1 (None where the code names the film only);
    `x_px`, `y_px` are its middle, in pixel centres of the strip.
    """

    text: str
    number: float | None
    x_px: float
    y_px: float

    @property
    def dx_code(self) -> str:
        """Return the film's part of the text, 115-10."""
        return self.text.partition("/")[0]


@dataclass(frozen=True)
class EdgeChain:
    """What one rebate says.

    `codes` stand from left to right, `tracks` are where they lie on the `rebate`, `layout` is
    theirs, with numbers or without; `backwards` tells whether they run to the left.
    """

    rebate: Rebate
    layout: EdgeFormat
    codes: tuple[EdgeCode, ...]
    tracks: tuple[Track, ...]
    backwards: bool

    @property
    def strength(self) -> float:
        """Return the sum over the codes of the correlation with what they should look like."""
        return sum(track.match for track in self.tracks)


@dataclass(frozen=True)
class _Agreed:
    """Readings of one film whose numbers count on by their places, and those that do not.

    `line` gives a code's column by its step from the first reading: column at 0, columns a step.
    """

    first: Sighting
    reads: int
    alone: bool
    line: tuple[float, float]
    others: tuple[Sighting, ...]


def read_chain(rebate: Rebate, px_per_mm: float, layout: EdgeFormat) -> EdgeChain | None:
    """Read one rebate; None where nothing is believed.

    What zxing-cpp reads is believed together or not at all: codes must be of one film, run one
    way and count on by one step for each `pitch_mm`, and nothing else may be read half as often.
    Every place of the chain is then held against the code that belongs there, so that codes that
    were read wrongly or not at all are found as well. Clocks must lie on the side of the
    perforations.
    """
    pitch = layout.pitch_mm * px_per_mm / rebate.x_px_per_sample
    plain = layout.without_number()
    seen = seen_codes(rebate, (len(layout.clock), len(plain.clock)))
    agreed = _agreed(seen, pitch, layout)
    if agreed is None or agreed.reads < (LONE_READS if agreed.alone else LEAST_READS):
        return None
    rival = _agreed(agreed.others, pitch, layout)
    if rival is not None and OVER_RIVAL * rival.reads >= agreed.reads:
        return None
    form = layout if "/" in agreed.first.text else plain
    found = _fitted(rebate, agreed, form)
    if sum(track.data_y - track.y for _, track in found) <= 0.0:
        return None
    found.sort(key=lambda pair: pair[1].x)
    return EdgeChain(
        rebate=rebate,
        layout=form,
        codes=_codes(rebate, agreed.first.text, found, form),
        tracks=tuple(track for _, track in found),
        backwards=agreed.first.module < 0.0,
    )


def _agreed(seen: Sequence[Sighting], pitch: float, layout: EdgeFormat) -> _Agreed | None:
    """Return the readings that most agree with; None where nothing was read."""
    best: _Agreed | None = None
    x = np.array([one.x for one in seen])
    reads = np.array([one.reads for one in seen])
    values = np.array([values_of(one.text) for one in seen])
    ways = np.array([(one.module < 0.0, "/" in one.text) for one in seen])
    for index, one in enumerate(seen):
        alike = np.all(values[:, :2] == values[index, :2], axis=1)
        alike &= np.all(ways == ways[index], axis=1)
        for error in SCALE_ERRORS:
            away = (x - one.x) / pitch * (1.0 + error) * np.sign(one.module)
            steps = np.rint(away)
            near = alike & (np.abs(away - steps) <= OFF_PLACE)
            if "/" in one.text:
                near &= (values[:, 2] - values[index, 2] - steps) % layout.steps == 0
            if best is None or reads[near].sum() > best.reads:
                slope = np.sign(one.module) * pitch / (1.0 + error)
                alone = not np.ptp(steps[near])
                if not alone:
                    slope = float(np.polyfit(steps[near], x[near], 1)[0])
                start = float(np.median(x[near] - slope * steps[near]))
                others = tuple(seen[k] for k in np.flatnonzero(~near).tolist())
                best = _Agreed(one, int(reads[near].sum()), alone, (start, slope), others)
    return best


def _fitted(rebate: Rebate, agreed: _Agreed, layout: EdgeFormat) -> list[tuple[int, Track]]:
    """Return steps and tracks of all places of a chain that show the whole code they should."""
    product, generation, first = values_of(agreed.first.text)
    start, slope = agreed.line
    half = abs(agreed.first.module) * (len(layout.clock) / 2 - CUT_MODULES)
    width = rebate.absorptance.shape[1]
    ends = sorted((end - start) / slope for end in (half, width - half))
    found = []
    for step in range(math.ceil(ends[0]), math.floor(ends[1]) + 1):
        data = encode(layout, product, generation, first + step)
        x = start + slope * step
        track = fit_track(rebate, x, agreed.first.module, layout.clock, data)
        if track is not None and track.match >= LEAST_MATCH:
            found.append((step, track))
    return found


def _codes(
    rebate: Rebate, text: str, found: Sequence[tuple[int, Track]], layout: EdgeFormat
) -> tuple[EdgeCode, ...]:
    """Return the codes of a chain; numbers count on from its middle, even where values wrap."""
    product, generation, first = values_of(text)
    middle = int(np.median([step for step, _ in found]))
    at_middle = position_of(layout, first + middle) if layout.numbered else None
    return tuple(
        EdgeCode(
            text=code_text(layout, product, generation, first + step),
            number=None
            if at_middle is None
            else at_middle + (step - middle) / layout.codes_per_frame,
            x_px=rebate.strip_x(track.x),
            y_px=rebate.strip_y((track.y + track.data_y) / 2),
        )
        for step, track in found
    )
