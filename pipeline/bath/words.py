"""What is said of batches of chemistry: tables, sentences and documents."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from pipeline.bath.batch import Batch, Entry, Use, rolls_before_each, rolls_done
from pipeline.bath.caution import cautions
from pipeline.bath.life import Life, batch_findings, clock, compensation, life
from pipeline.bath.wear import BathTrend, trend
from pipeline.kinds import Triple
from pipeline.record import plain
from pipeline.words import counted, percent

MISSING = "\N{EN DASH}"
VERDICTS = {
    "good": "should be good for another roll",
    "doubtful": "may be spent",
    "spent": "is probably spent",
    "unknown": "leaves open how many more it does",
}


def _lives(entries: Sequence[Entry], today: date) -> list[tuple[Batch, Life]]:
    uses = [entry for entry in entries if isinstance(entry, Use)]
    return [
        (batch, life(batch, [use for use in uses if use.batch == batch.name], today))
        for batch in entries
        if isinstance(batch, Batch)
    ]


def list_text(entries: Sequence[Entry], today: date) -> str:
    """Return a line for each batch: when mixed, how much, rolls done, and how it stands."""
    rows = [
        (
            batch.name, _or_dash(batch.mixed), _or_dash(batch.volume_ml),
            f"{told.rolls_done:g}", _rolls_left(told), _or_dash(told.until),
            VERDICTS[told.verdict],
        )
        for batch, told in _lives(entries, today)
    ]  # fmt: skip
    return _columns(("batch", "mixed", "ml", "rolls", "left", "until", "state"), rows)


def _rolls_left(told: Life) -> str:
    """Return how many rolls more a batch is likely to do."""
    return MISSING if told.rolls is None else f"{max(told.rolls - told.rolls_done, 0.0):.0f}"


def noted_text(entry: Entry) -> str:
    """Return all that is noted of a batch or a roll in words, but for its name."""
    if isinstance(entry, Batch):
        facts = [
            f"mixed {entry.mixed}" if entry.mixed else "",
            f"{entry.volume_ml:g} ml" if entry.volume_ml else "",
            f"{counted(entry.life_rolls, 'roll')} by its maker" if entry.life_rolls else "",
            f"{counted(entry.life_days, 'day')} by its maker" if entry.life_days else "",
        ]
        longer = entry.compensation_percent_per_roll
        facts.append("" if longer is None else f"{longer:g} % more time a roll")
    else:
        facts = [
            f"developed {entry.developed}" if entry.developed else "",
            f"film {entry.film}" if entry.film else "",
            f"counts for {counted(entry.counts_for, 'roll')}",
            "" if entry.rolls_before is None else f"{entry.rolls_before:g} before it",
        ]
        named = (("edge print", entry.edge_print), ("contrast", entry.contrast))
        facts += [f"{name} {_figure(values)}" for name, values in named if values is not None]
        facts.append(f"base {_figure(entry.base)}" if entry.base is not None else "")
    facts += [
        f"{entry.temperature_c:g} °C" if entry.temperature_c else "",
        f"developer {clock(entry.time_s)}" if entry.time_s else "",
        f'notes "{entry.notes}"' if isinstance(entry, Batch) and entry.notes else "",
    ]
    return ", ".join(fact for fact in facts if fact) or "nothing but its name"


def state_text(batch: Batch, uses: Sequence[Use], today: date) -> str:
    """Return in one sentence how a batch stands."""
    told = life(batch, uses, today)
    return f"After {counted(told.rolls_done, 'roll')} {batch.name} {_verdict(told)}."


def is_good(batch: Batch, uses: Sequence[Use], today: date) -> bool:
    """Tell whether nothing says that a batch may be spent."""
    return life(batch, uses, today).verdict in ("good", "unknown")


def show_text(batch: Batch, uses: Sequence[Use], today: date) -> str:
    """Return all that is known of a batch: its rolls, trend, life and what that rests on."""
    told = life(batch, uses, today)
    parts = [_head(batch, told)]
    if uses:
        parts.append(_rolls(uses))
    line = trend(batch, uses)
    if line is not None and line.points:
        parts.append(f"Trend: {chart_text(line)}")
    parts.append("\n".join(life_lines(told)))
    parts += [
        f"{found.severity.capitalize()}: {found.code} (confidence {found.confidence:.2f}). "
        f"{found.evidence} {found.advice}"
        for found in batch_findings(batch, uses)
    ]
    parts.append(f"Developer: {compensation(batch, uses).sentence}")
    return "\n\n".join(parts) + "\n"


def life_lines(told: Life) -> tuple[str, ...]:
    """Return what is said of a batch's life, a sentence or two a line."""
    lines = [f"Life: after {counted(told.rolls_done, 'roll')} it {_verdict(told)}."]
    interval = f"{percent(told.interval)} interval"
    if told.rolls_low is not None:
        likely = "no end in sight" if told.rolls is None else f"about {told.rolls:.1f} in all"
        high = "up" if told.rolls_high is None else f"to {told.rolls_high:.1f}"
        lines.append(f"In rolls: {likely}; {interval} {told.rolls_low:.1f} {high}.")
    if told.until is not None or told.until_low is not None:
        likely = "no end in sight" if told.until is None else f"until {told.until}"
        high = "on" if told.until_high is None else f"to {told.until_high}"
        span = f"; by the rolls' {interval} {told.until_low} {high}"
        lines.append(f"In days: {likely}{span if told.until_low != told.until_high else ''}.")
    return (*lines, *(f"- {sentence}" for sentence in told.rests_on))


def chart_text(made: BathTrend) -> str:
    """Return in one sentence what a trend shows, in figures."""
    measured = counted(len(made.points), "measured roll")
    if made.rolls_done <= 0.0:
        return f"{measured}; no roll has gone through the batch."
    share, low, high = made.share_at(made.rolls_done)
    return (
        f"{measured}; after {counted(made.rolls_done, 'roll')} the {made.figure} is at "
        f"{percent(share)} of fresh ({percent(made.interval)} interval {percent(low)} to "
        f"{percent(high)}), spent is {percent(made.spent_share)}."
    )


def _verdict(told: Life) -> str:
    chance = told.chance_spent
    likely = "" if chance is None else f" (chance of that {percent(chance)})"
    return VERDICTS[told.verdict] + ("" if told.verdict == "good" else likely)


def _head(batch: Batch, told: Life) -> str:
    facts = [
        f"mixed {batch.mixed}" if batch.mixed else "",
        f"{batch.volume_ml:g} ml" if batch.volume_ml else "",
        f"{batch.temperature_c:g} °C" if batch.temperature_c else "",
        clock(batch.time_s) if batch.time_s else "",
        f"{counted(told.rolls_done, 'roll')} done",
    ]
    lines = [f"{batch.name}: {', '.join(fact for fact in facts if fact)}."]
    stated = [
        counted(batch.life_rolls, "roll") if batch.life_rolls else "",
        counted(batch.life_days, "day") if batch.life_days else "",
    ]
    if any(stated):
        lines.append(f"Maker's life, as noted: {' or '.join(fact for fact in stated if fact)}.")
    return "\n".join([*lines, *([f"Notes: {batch.notes}"] if batch.notes else [])])


def _rolls(uses: Sequence[Use]) -> str:
    head = ("roll", "developed", "film", "before", "rolls", "°C", "time", "edge print", "contrast")
    rows = [
        (
            use.roll,
            _or_dash(use.developed),
            use.film or MISSING,
            f"{before:g}",
            f"{use.counts_for:g}",
            _or_dash(use.temperature_c),
            MISSING if use.time_s is None else clock(use.time_s),
            _figure(use.edge_print),
            _figure(use.contrast),
        )
        for use, before in rolls_before_each(uses)
    ]
    return _columns(head, rows)


def _or_dash(value: date | float | None) -> str:
    if value is None:
        return MISSING
    return f"{value:g}" if isinstance(value, float) else str(value)


def _figure(values: Triple | None) -> str:
    return MISSING if values is None else " ".join(f"{value:z.2f}" for value in values)


def _columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    return "\n".join(
        "  ".join(f"{text:{width}}" for text, width in zip(line, widths, strict=True)).rstrip()
        for line in (head, *rows)
    )


def batch_document(batch: Batch, uses: Sequence[Use], today: date) -> dict[str, Any]:
    """Return all that `show_text` tells as a JSON-ready document."""
    line, told, rule = trend(batch, uses), life(batch, uses, today), compensation(batch, uses)
    rolls = [
        {**plain(vars(use)), "rolls": use.counts_for, "rolls_before": before}
        for use, before in rolls_before_each(uses)
    ]
    document: dict[str, Any] = {
        "batch": plain(vars(batch)),
        "rolls_done": rolls_done(uses),
        "rolls": rolls,
        "life": plain(vars(told)),
        "compensation": {"time_s": plain(rule.time_s), "told": rule.sentence},
        "findings": [vars(found) for found in batch_findings(batch, uses)],
        "cautions": list(cautions().lines),
        "trend": None,
    }
    if line is not None:
        document["trend"] = {
            "figure": line.figure,
            "with_maker": line.maker_rolls is not None,
            "interval": line.interval,
            "spent_share": plain(line.spent_share),
            "fall_per_roll": plain(line.falls),
            "points": [plain(vars(point)) for point in line.points],
        }
    return document


def list_document(entries: Sequence[Entry], today: date) -> list[dict[str, Any]]:
    """Return what `list_text` tells as a JSON-ready document."""
    return [
        {**plain(vars(batch)), "rolls_done": told.rolls_done, "verdict": told.verdict}
        for batch, told in _lives(entries, today)
    ]
