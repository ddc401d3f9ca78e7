"""Process control: how far control strips lie from their aim, and what their series shows."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, takewhile

import numpy as np

from pipeline.control.limits import QUANTITIES, TITLES, Limit, control_limits
from pipeline.control.readings import ControlReading
from pipeline.kinds import CHANNELS, Triple, as_triple

IN_CONTROL, BEYOND_ACTION, BEYOND_CONTROL = "in control", "beyond action", "beyond control"
STATES = (IN_CONTROL, BEYOND_ACTION, BEYOND_CONTROL)
# Differences of readings to two decimals, so that 0.56 - 0.50 lies on a limit of 0.06.
_DECIMALS = 6
BLUE = 2


@dataclass(frozen=True)
class Deviation:
    """One control strip less its aim, in density per channel; NaN where either was not read.

    `contrast` is of HD - LD; `retained` of D-max - yellow, both in blue; `colour_spread` is the
    largest difference between the channels of `contrast`.
    """

    reading: ControlReading
    d_min: Triple
    ld: Triple
    contrast: Triple
    d_max: Triple
    yellow: Triple
    retained: float
    colour_spread: float

    def of(self, quantity: str) -> Triple:
        """Return a quantity's deviation per channel; what is read in blue only is NaN in others."""
        if quantity == "retained":
            return (math.nan, math.nan, self.retained)
        values: Triple = getattr(self, quantity)
        return values


@dataclass(frozen=True)
class Breach:
    """A deviation beyond a limit; `channel` is 0 to 2, None for the colour spread."""

    quantity: str
    channel: int | None
    deviation: float
    limit: float
    state: str


@dataclass(frozen=True)
class Signal:
    """A series that shows more than chance within the limits: `rule` is 'run' or 'steady'.

    `strips` is how many in a row, the last one being the latest strip; `change` the mean
    deviation of a run, or how far a steady series has gone.
    """

    quantity: str
    channel: int
    rule: str
    strips: int
    change: float

    def __str__(self) -> str:
        """Return the signal in words."""
        what = f"{TITLES[self.quantity]} {CHANNELS[self.channel]}".replace("blue blue", "blue")
        if self.rule == "run":
            side = "above" if self.change > 0 else "below"
            return (
                f"{what} lay {side} the aim on the last {self.strips} strips, "
                f"by {abs(self.change):.2f} on average"
            )
        way = "risen" if self.change > 0 else "fallen"
        return (
            f"{what} has {way} on each of the last {self.strips} strips, by {abs(self.change):.2f}"
        )


@dataclass(frozen=True)
class ControlSeries:
    """Control strips in order, each against the aim, and what the latest ones show.

    `aim_is_first` tells that the first strip stands for the aim, for want of one.
    """

    aim: ControlReading
    aim_is_first: bool
    deviations: tuple[Deviation, ...]
    signals: tuple[Signal, ...]

    def latest(self) -> Deviation | None:
        """Return the last strip's deviation, or None if there is no strip."""
        return self.deviations[-1] if self.deviations else None


def control_series(
    controls: Sequence[ControlReading], aim: ControlReading | None
) -> ControlSeries | None:
    """Return the strips against their aim, or None if there is nothing to hold them against.

    Strips are in order of time. Without an aim the first takes its place, and is not judged.
    """
    is_first = aim is None
    if aim is None:
        if len(controls) < 2:
            return None
        aim, controls = controls[0], controls[1:]
    deviations = tuple(deviation(reading, aim) for reading in controls)
    return ControlSeries(aim, is_first, deviations, signals(deviations))


def deviation(reading: ControlReading, aim: ControlReading) -> Deviation:
    """Return a strip less its aim (publication Z-131: D-min, LD, HD - LD, D-max(B) - yellow(B))."""
    contrast = _less(_less(reading.hd, reading.ld), _less(aim.hd, aim.ld))
    known = [value for value in contrast if math.isfinite(value)]
    retained = (reading.d_max[BLUE] - reading.yellow[BLUE]) - (aim.d_max[BLUE] - aim.yellow[BLUE])
    return Deviation(
        reading=reading,
        d_min=_less(reading.d_min, aim.d_min),
        ld=_less(reading.ld, aim.ld),
        contrast=contrast,
        d_max=_less(reading.d_max, aim.d_max),
        yellow=_less(reading.yellow, aim.yellow),
        retained=_rounded(retained),
        colour_spread=_rounded(max(known) - min(known)) if len(known) > 1 else math.nan,
    )


def _less(one: Triple, other: Triple) -> Triple:
    return as_triple(_rounded(a - b) for a, b in zip(one, other, strict=True))


def _rounded(value: float) -> float:
    return round(value, _DECIMALS) + 0.0


def breaches(found: Deviation) -> tuple[Breach, ...]:
    """Return the limits that a strip lies beyond, the gravest first; on a limit is not beyond."""
    limits = control_limits()
    beyond = []
    for quantity, limit in limits.of.items():
        passed = {BEYOND_ACTION: limit.action, BEYOND_CONTROL: limit.control}
        for channel, value in enumerate(found.of(quantity)):
            if (where := state_of(value, limit)) in passed:
                beyond.append(Breach(quantity, channel, value, passed[where], where))
    if found.colour_spread > limits.colour_spread:
        spread = found.colour_spread
        beyond.append(Breach("colour_spread", None, spread, limits.colour_spread, BEYOND_CONTROL))
    return tuple(sorted(beyond, key=lambda each: (-STATES.index(each.state), -abs(each.deviation))))


def state_of(value: float, limit: Limit) -> str:
    """Return where a deviation lies; one that was not read is in control."""
    over = limit.over(value) if math.isfinite(value) else 0.0
    if over > limit.control:
        return BEYOND_CONTROL
    return BEYOND_ACTION if over > limit.action else IN_CONTROL


def state(found: Deviation) -> str:
    """Return the gravest state of a strip."""
    beyond = breaches(found)
    return beyond[0].state if beyond else IN_CONTROL


def signals(deviations: Sequence[Deviation]) -> tuple[Signal, ...]:
    """Return the runs and steady changes that reach to the latest strip.

    A run is strip after strip on one side of the aim, a steady change one up or down with each
    strip; both at least as long as the rules ask (control chart rules of the NIST/SEMATECH
    e-Handbook, 6.3.2), and larger than what readings differ by chance. Rules that need a
    standard deviation are left out: action and control limits are set, not estimated.
    """
    found: list[Signal] = []
    for quantity in QUANTITIES:
        for channel in range(len(CHANNELS)):
            series = [each.of(quantity)[channel] for each in deviations]
            if series and math.isfinite(series[-1]):
                known = [value for value in series if math.isfinite(value)]
                found += _signals(quantity, channel, known)
    return tuple(found)


def _signals(quantity: str, channel: int, series: Sequence[float]) -> Iterator[Signal]:
    rules = control_limits().trend
    for way in (1.0, -1.0):
        count = _last(way * value > 0.0 for value in reversed(series))
        mean = float(np.mean(series[-count:])) if count else 0.0
        if count >= rules.run_strips and abs(mean) > rules.repeatability_density:
            yield Signal(quantity, channel, "run", count, mean)
        steps = _last(way * (before - after) > 0.0 for before, after in pairwise(reversed(series)))
        change = series[-1] - series[-1 - steps]
        if steps + 1 >= rules.steady_strips and abs(change) > rules.repeatability_density:
            yield Signal(quantity, channel, "steady", steps + 1, change)


def _last(flags: Iterable[bool]) -> int:
    """Return how many flags are true before the first that is not."""
    return sum(1 for _ in takewhile(bool, flags))
