"""Findings out of control strips: what the latest one says, and what else it could be."""

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from pipeline.control.causes import Cause, Causes, rank_causes
from pipeline.control.fault_table import fault_table
from pipeline.control.limits import QUANTITIES, TITLES, control_limits
from pipeline.control.readings import ControlReading, date_text
from pipeline.control.series import (
    BEYOND_ACTION,
    BEYOND_CONTROL,
    Breach,
    ControlSeries,
    Deviation,
    breaches,
    state,
)
from pipeline.kinds import CHANNELS
from pipeline.profile import shipped
from pipeline.record import Finding
from pipeline.words import counted

_SEVERITY = {BEYOND_CONTROL: "fault", BEYOND_ACTION: "warning"}
# Codes as probable as this are findings; where none is, the likeliest. Others are named beside it.
_EVEN = 0.5
# Causes this much less probable than the first are not named.
_LEAST_CAUSE = 0.2
_MOST_CAUSES = 3
_UNCLEAR = 0.5
# Causes of other codes as probable as this are worth a look.
_WORTH_A_LOOK = 0.02


def control_findings(series: ControlSeries) -> tuple[Finding, ...]:
    """Return what the latest control strip says, the most probable first.

    Within the action limits it is `normal`, and what the series shows is told; beyond them come
    the codes whose faults have such directions. Causes that strips alone can't part are named
    together, with what tells them apart.
    """
    latest = series.latest()
    if latest is None:
        return ()
    if _has_no_image(latest.reading):
        return (_no_image(latest, series),)
    found_state = state(latest)
    if found_state not in _SEVERITY:
        return (_normal(latest, series),)
    causes = rank_causes(latest, series.aim_is_first)
    codes = _codes(causes, latest)
    kept = [code for code, chance in codes.items() if chance >= _EVEN]
    findings = [
        _of_code(code, codes[code], causes, latest, series) for code in kept or list(codes)[:1]
    ]
    limit = control_limits().colour_spread
    if latest.colour_spread > limit and all(f.code != "colour-crossover" for f in findings):
        findings.append(_crossover(latest, limit))
    return tuple(findings)


def _codes(causes: Causes, latest: Deviation) -> dict[str, float]:
    """Return the probability of each code, the highest first.

    Whatever else makes the slopes of the channels differ is colour crossover too.
    """
    codes = causes.by_code()
    if latest.colour_spread > control_limits().colour_spread:
        codes["colour-crossover"] = codes.get("colour-crossover", 0.0) + causes.other
    return dict(sorted(codes.items(), key=lambda item: -item[1]))


def _aim_is_right(series: ControlSeries) -> float:
    """Return how probable it is that the aim is right: a first strip may have been off itself."""
    return fault_table().stray.normal if series.aim_is_first else 1.0


def _of_code(
    code: str, chance: float, causes: Causes, latest: Deviation, series: ControlSeries
) -> Finding:
    own = [cause for cause in causes.ranked if cause.fault.code == code]
    named = [cause for cause in own if cause.probability >= _LEAST_CAUSE * own[0].probability]
    named = named[:_MOST_CAUSES]
    ways = [f"{cause.fault.cause} (match {cause.match:.2f})" for cause in named]
    rest = [cause for cause in causes.ranked if cause.fault.code != code]
    evidence = [
        f"{_where(latest, series)}: {deviation_text(latest)}; {breach_text(breaches(latest))}.",
        f"It goes the way of: {'; '.join(ways)}.",
    ]
    if causes.unclear >= _UNCLEAR:
        evidence.append(
            "No known fault goes quite this way, so the cause can't be told from the strip."
        )
    return Finding(
        code,
        _SEVERITY[state(latest)],
        round(chance * _aim_is_right(series), 2),
        " ".join([*evidence, *_remarks(latest, series)]),
        _advice(named, rest, causes.unclear),
    )


def _advice(named: Sequence[Cause], rest: Sequence[Cause], unclear: float) -> str:
    """Return what to do, what else it could be, and what tells one from another."""
    words = []
    if unclear >= _UNCLEAR:
        words.append("Read the strip again, and check that it belongs to this aim, before all.")
    if len(named) > 1:
        words.append("Find out which it is, for a strip alone can't tell.")
        words += [_way_out(cause) for cause in named]
    else:
        words.append(f"{named[0].fault.remedy}, once you made sure: {named[0].fault.tell}.")
    if rest:
        likely = rest[0].probability >= _WORTH_A_LOOK
        begin = "It could also be" if likely else "Far less likely it is"
        fault = rest[0].fault
        words.append(f"{begin} {fault.cause} ({fault.code}): {fault.tell}.")
    return " ".join(words)


def _way_out(cause: Cause) -> str:
    """Return a cause with what tells it and what then to do, as one sentence."""
    name, remedy = cause.fault.cause, cause.fault.remedy
    return (
        f"{name[0].upper()}{name[1:]}? Tell it by this: {cause.fault.tell}; "
        f"then {remedy[0].lower()}{remedy[1:]}."
    )


def _normal(latest: Deviation, series: ControlSeries) -> Finding:
    causes = rank_causes(latest, series.aim_is_first)
    evidence = f"{_where(latest, series)}: {deviation_text(latest)}; within the action limits."
    advice = "Nothing to do."
    if series.signals:
        evidence += f" But the process is not at rest: {'; '.join(map(str, series.signals))}."
        cause = causes.ranked[0].fault
        advice = (
            "Look for the cause before a limit is passed, and read the next strip soon. "
            f"So far it goes the way of: {cause.cause}; tell by: {cause.tell}."
        )
    evidence = " ".join([evidence, *_remarks(latest, series)])
    confidence = round(causes.normal * _aim_is_right(series), 2)
    return Finding("normal", "note", confidence, evidence, advice)


def _crossover(latest: Deviation, limit: float) -> Finding:
    return finding_of(
        "strip-crossover",
        f"HD - LD is off by {triple_text(latest.contrast)}: the channels differ by "
        f"{latest.colour_spread:.2f}, more than {limit:.2f}.",
    )


def _has_no_image(reading: ControlReading) -> bool:
    above = np.array([reading.hd, reading.ld]) - np.array(reading.d_min)
    known = above[np.isfinite(above)]
    hd_known = np.isfinite(above[0]).any()
    return bool(hd_known and (np.abs(known) <= control_limits().reading.no_image_density).all())


def _no_image(latest: Deviation, series: ControlSeries) -> Finding:
    reading = latest.reading
    return finding_of(
        "strip-without-image",
        f"{_where(latest, series)}: HD {triple_text(reading.hd, signed=False)} is no denser than "
        f"D-min {triple_text(reading.d_min, signed=False)}: nothing developed.",
    )


def _where(latest: Deviation, series: ControlSeries) -> str:
    reading = latest.reading
    named = f"Strip {reading.strip}"
    if reading.date is not None and date_text(reading.date) != reading.strip:
        named += f" of {date_text(reading.date)}"
    against = "the first strip, for want of an aim" if series.aim_is_first else "the aim"
    return f"{named} against {against}"


def _remarks(latest: Deviation, series: ControlSeries) -> list[str]:
    """Return what was not read, what a D-min far below its aim says, and how it stood before.

    Development alone hardly makes a D-min so thin.
    """
    told = []
    if unread := _unread(latest):
        told.append(f"Not read: {', '.join(unread)}; nothing can be told of that.")
    thin = max((-value for value in latest.d_min if math.isfinite(value)), default=0.0)
    if thin > control_limits().of["d_min"].control:
        told.append(
            f"D-min lies up to {thin:.2f} below the aim: strip and aim may be of different film."
        )
    before = series.deviations[:-1]
    if beyond := sum(state(each) in _SEVERITY for each in before):
        told.append(
            f"Of the {counted(len(before), 'strip')} before it, {beyond} lay beyond the action "
            "limits."
        )
    return told


def _unread(latest: Deviation) -> list[str]:
    return [
        TITLES[quantity]
        for quantity in QUANTITIES
        if not any(math.isfinite(value) for value in latest.of(quantity))
    ]


def finding_of(
    name: str, evidence: str, confirmed: bool = False, words: Mapping[str, str] | None = None
) -> Finding:
    """Return a finding of profiles/control_findings.toml, `words` being put into its texts."""
    told = shipped("control_findings.toml")[name]
    sure = told["confirmed" if confirmed else "confidence"]
    code, advice = (told[key].format_map(words or {}) for key in ("code", "advice"))
    return Finding(code, told["severity"], sure, evidence, advice)


def deviation_text(found: Deviation) -> str:
    """Return a strip's deviations in words and figures, red / green / blue."""
    told = [
        f"{TITLES[quantity]} {triple_text(found.of(quantity))}"
        for quantity in ("d_min", "ld", "contrast")
        if any(map(math.isfinite, found.of(quantity)))
    ]
    if math.isfinite(found.retained):
        told.append(f"{TITLES['retained']} {found.retained:+z.2f}")
    return ", ".join(told) or "nothing read that the aim has too"


def triple_text(values: Iterable[float], signed: bool = True) -> str:
    """Return three densities to two decimals, a dash for what was not read."""
    form = "+z.2f" if signed else "z.2f"
    return " / ".join(
        format(float(value), form) if math.isfinite(value) else "\N{EN DASH}" for value in values
    )


def breach_text(beyond: Sequence[Breach]) -> str:
    """Return the limits passed, each quantity once, by its gravest state."""
    told: dict[str, list[Breach]] = {}
    for breach in beyond:
        told.setdefault(breach.quantity, []).append(breach)
    words = []
    for quantity, group in told.items():
        worst = group[0]
        limit = "control" if worst.state == BEYOND_CONTROL else "action"
        places = sorted(each.channel for each in group if each.channel is not None)
        named = quantity != "retained" and places
        where = f" in {', '.join(CHANNELS[place] for place in places)}" if named else ""
        words.append(f"{TITLES[quantity]} beyond the {limit} limit of {worst.limit:.2f}{where}")
    return ", ".join(words)
