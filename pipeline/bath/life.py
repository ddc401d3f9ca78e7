"""How long a batch of chemistry lasts, by its trend, its maker's figures and its age."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from pipeline.bath.batch import Batch, Use, bath_limits, rolls_done
from pipeline.bath.wear import BathTrend, fall_of_maker, trend
from pipeline.record import Finding
from pipeline.words import counted, percent

_MOST_ROLLS = 1e4
_FOLLOW_THE_MAKER = "Follow the maker's sheet for the developer's time of later rolls."


@dataclass(frozen=True)
class Life:
    """When a batch is spent.

    `verdict` is 'good', 'doubtful', 'spent', or 'unknown' where nothing can be told; `rolls_done`
    have gone through it. `rolls`, `rolls_low` and `rolls_high` are how many it lasts for, counted
    from fresh: likeliest, and the ends of the interval, which holds the true figure with
    probability `interval`; None where there is no end in sight, or (all three) where nothing can be
    told. `chance_spent` is the probability that it is spent now, by its rolls.

    `until`, `until_low` and `until_high` are the same as days, if rolls go on as they have, none
    later than `keeps_until`, the day its keeping time ends. `rests_on` says in sentences what all
    this rests on.
    """

    verdict: str
    rolls_done: float
    rolls: float | None
    rolls_low: float | None
    rolls_high: float | None
    chance_spent: float | None
    until: date | None
    until_low: date | None
    until_high: date | None
    keeps_until: date | None
    interval: float
    rests_on: tuple[str, ...]


@dataclass(frozen=True)
class Compensation:
    """What the rule noted with the batch gives for the next roll: its time, and a sentence."""

    time_s: float | None
    sentence: str


def life(batch: Batch, uses: Sequence[Use], today: date) -> Life:
    """Return when a batch is spent: by rolls, by day, and what that rests on.

    It is spent when what it takes off contrast or edge print reaches the control limit of
    publication Z-131 (profiles/bath.toml); rolls until then follow from the fall a roll, whose
    whole probability gives the interval. Days follow from rolls a day so far. Where rolls and
    maker disagree, it is judged by the worse of the two.
    """
    line = trend(batch, uses)
    keeps_until, keeping = _keeping(batch)
    rests = [_rest_of_trend(line, uses), keeping, *_confounded(uses)]
    interval, done = float(bath_limits()["judging"]["interval"]), rolls_done(uses)
    old = keeps_until is not None and today > keeps_until
    if old:
        rests.append(f"It is past its keeping time, which ended on {keeps_until}.")
    rolls: list[float | None] = [None, None, None]
    days, chance = [keeps_until, None, None], None
    if line is not None:
        spent = -math.log(line.spent_share)
        likely, slow, fast = line.falls
        # A batch that hardly falls has no end in sight.
        rolls = [spent / f if f > spent / _MOST_ROLLS else None for f in (likely, fast, slow)]
        chance = float(line.fall.sf(spent / done)) if done > 0 else 0.0
        maker = _disagreeing_maker(batch, uses, spent)
        if maker is not None and batch.life_rolls is not None:
            chance = max(chance, float(maker.sf(spent / done))) if done > 0 else 0.0
            rests.append(
                "Rolls and maker disagree: the maker states "
                f"{counted(batch.life_rolls, 'roll')}, what was measured tells another number. "
                "The batch is judged by the worse of the two."
            )
        pace = _pace(batch, uses)
        if pace is not None:
            rests.append(f"Days: if rolls go on as they have, {7 * pace[1]:.2g} a week.")
        days = [_day(count, done, pace, keeps_until) for count in rolls]
    return Life(
        _verdict(chance, old), done, rolls[0], rolls[1], rolls[2], chance, days[0], days[1],
        days[2], keeps_until, interval, tuple(rests),
    )  # fmt: skip


def _disagreeing_maker(batch: Batch, uses: Sequence[Use], spent: float) -> Any:
    """Return the fall that the maker's rolls mean, if the rolls by themselves rule it out."""
    alone = trend(batch, uses, with_maker=False)
    if batch.life_rolls is None or alone is None:
        return None
    above = float(alone.fall.sf(spent / batch.life_rolls))
    unlikely = (1.0 - bath_limits()["judging"]["sure"]) / 2.0
    return fall_of_maker(batch.life_rolls) if min(above, 1.0 - above) < unlikely else None


def _verdict(chance_spent: float | None, old: bool) -> str:
    judging = bath_limits()["judging"]
    if chance_spent is not None and chance_spent >= judging["spent"]:
        return "spent"
    if old or (chance_spent is not None and chance_spent >= judging["doubtful"]):
        return "doubtful"
    return "unknown" if chance_spent is None else "good"


def _keeping(batch: Batch) -> tuple[date | None, str]:
    days, keeping = batch.life_days, bath_limits()["keeping"]
    if batch.mixed is None:
        return None, "Keeping time: nothing can be told, since the day of mixing is not noted."
    if days is None:
        told = f"Keeping time: {keeping['days']} days, for {keeping['source']}."
        return _later(batch.mixed, keeping["days"]), told
    told = f"Keeping time: {counted(days, 'day')}, the maker's figure as you noted it."
    return _later(batch.mixed, days), told


def _later(day: date, days: float) -> date:
    return day + timedelta(days=min(days, (date.max - day).days))


def _rest_of_trend(line: BathTrend | None, uses: Sequence[Use]) -> str:
    least = bath_limits()["judging"]["least_rolls"]
    if line is None:
        return (
            "Rolls: nothing can be told. That takes the maker's number of rolls "
            f"(--life-rolls), or {least} rolls with an edge print or contrast measured, two of "
            "them at least of one film at different ages of the batch."
        )
    measured = len(line.points)
    spent = f"spent means {percent(1 - line.spent_share)} off"
    stated = line.maker_rolls
    maker = "" if stated is None else f"the maker's {counted(stated, 'roll')} as you noted them"
    if not measured:
        return f"Rolls: {maker} alone; no roll has a measured edge print or contrast."
    rolls = f"{measured} of {counted(len(uses), 'roll')}"
    told = f"the {line.figure} of {rolls}, fitted by a straight line"
    films = len({point.film.casefold() for point in line.points})
    told += f" over {counted(films, 'film')}" if films > 1 else ""
    return f"Rolls: {told}{f', and {maker}' if maker else ''}; {spent}."


def _confounded(uses: Sequence[Use]) -> list[str]:
    """Return what else differed between the rolls and may make part of the trend."""
    judging, told = bath_limits()["judging"], []
    measured = [use for use in uses if use.edge_print is not None or use.contrast is not None]
    warm = [use.temperature_c for use in measured if use.temperature_c is not None]
    if warm and max(warm) - min(warm) > judging["temperature_range_c"]:
        told.append(
            f"Temperatures from {min(warm):g} to {max(warm):g} °C: part of the trend may be theirs."
        )
    times = [use.time_s for use in measured if use.time_s is not None]
    if times and max(times) > min(times) * (1.0 + judging["time_range_share"]):
        told.append(
            f"Times from {clock(min(times))} to {clock(max(times))}: the trend is of the film as "
            "developed; the bath itself may wear faster or slower."
        )
    return told


def _pace(batch: Batch, uses: Sequence[Use]) -> tuple[date, float] | None:
    """Return the day of the last roll and the rolls a day until then, where both are known."""
    last = max((use.developed for use in uses if use.developed is not None), default=date.min)
    if batch.mixed is None or last <= batch.mixed:
        return None
    return last, rolls_done(uses) / (last - batch.mixed).days


def _day(
    rolls: float | None, done: float, pace: tuple[date, float] | None, keeps_until: date | None
) -> date | None:
    if rolls is None or pace is None:
        return keeps_until
    day = _later(pace[0], max(rolls - done, 0.0) / pace[1])
    return day if keeps_until is None else min(day, keeps_until)


def clock(seconds: float) -> str:
    """Return a time as minutes and seconds: 3:15."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def compensation(batch: Batch, uses: Sequence[Use]) -> Compensation:
    """Return what the rule noted with the batch gives for the next roll, never as a promise."""
    percent = batch.compensation_percent_per_roll
    if percent is None:
        return Compensation(None, _FOLLOW_THE_MAKER)
    done = rolls_done(uses)
    factor = 1.0 + percent * done / 100.0
    rule = f"By the rule you noted, {percent:g} % a roll, the next one (after {done:g})"
    caveat = (
        "Longer times for later rolls are common practice, no source, and no promise: they don't "
        "bring back a spent developer."
    )
    if batch.time_s is None:
        return Compensation(None, f"{rule} takes {factor:.2f} times the first one's time. {caveat}")
    time_s = batch.time_s * factor
    return Compensation(
        time_s, f"{rule} takes {clock(time_s)} instead of {clock(batch.time_s)}. {caveat}"
    )


def batch_findings(batch: Batch, uses: Sequence[Use]) -> tuple[Finding, ...]:
    """Return `under-developed` where edge print or contrast falls along the batch for certain.

    The rolls' figures alone count, not the maker's. A fall is told where its probability of being
    one is beyond doubt (profiles/bath.toml, `sure`) and it reaches the action limit of
    publication Z-131; it is a warning from the control limit on.
    """
    limits, judging = bath_limits()["limits"], bath_limits()["judging"]
    line = trend(batch, uses, with_maker=False)
    if line is None:
        return ()
    sure = line.fall.sf(0.0)
    last = max(point.rolls_before for point in line.points)
    share, low, high = line.share_at(last)
    if sure < judging["sure"] or 1.0 - share < limits["action_share"]:
        return ()
    first, latest = line.points[0], line.points[-1]
    evidence = (
        f"In batch '{batch.name}' the {line.figure} fell by {percent(1 - share)} over "
        f"{counted(last, 'roll')} ({percent(line.interval)} interval {percent(1 - high)} to "
        f"{percent(1 - low)}), from {first.value:.2f} on roll {first.roll} to "
        f"{latest.value:.2f} on roll {latest.roll}."
    )
    severity = "warning" if 1.0 - share >= limits["spent_share"] else "note"
    advice = (
        "The developer is wearing out: mix a new batch before the next roll."
        if severity == "warning"
        else "The developer begins to wear: follow the maker's sheet for later rolls."
    )
    reached = float(line.fall.sf(-math.log1p(-limits["action_share"]) / last))
    # What else falls along a batch, as temperatures do, is not told apart by its figures.
    confidence = round(min(reached, 0.6 if _confounded(uses) else 0.95), 2)
    return (Finding("under-developed", severity, confidence, evidence, advice),)
