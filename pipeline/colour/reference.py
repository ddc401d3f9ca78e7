"""Colour of the roll from reference frames: a 24-patch chart or a grey card on it."""

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.chart import (
    ChartReading,
    GreyReading,
    is_shaded,
    patch_error,
)
from pipeline.colour.fit import ProfileFit, SeenChart, fit_profile
from pipeline.colour.light import strange_words, usual_light
from pipeline.colour.reference_frame import CLEAR_CHART, chart_trouble, no_frame, shown_by
from pipeline.colour.unmask import RollColour, layer_exposure
from pipeline.kinds import LOG_STOP, Float64, Triple, as_triple
from pipeline.problem import SettingsProblem
from pipeline.profile import FilmProfile, LayerCurve, fittable_curves
from pipeline.settings import ReferenceFrame
from pipeline.survey import FrameSurvey
from pipeline.words import plural

Frames = Sequence[tuple[str, FrameSurvey]]
# A chart's frame, what is seen of it, and the profile fitted to it alone.
Fitted = tuple[str, SeenChart, ProfileFit]

# All patches of a chart that nobody named fit together so well.
_MOST_MISFIT = 4.0
# Charts that nobody named are fitted together up to so many. The errors of more average out little
# further, and the fit's time rises as the cube of their number, its memory as the square.
_MOST_CHARTS = 12


@dataclass(frozen=True)
class Reference:
    """The roll's colour from reference frames, what they are in words, and what is to be noted."""

    colour: RollColour
    source: str
    notes: tuple[str, ...] = ()


def named_reference(
    named: Sequence[ReferenceFrame],
    frames: Frames,
    profile: FilmProfile,
    solved: RollColour,
    scans: Mapping[str, Path] | None = None,
) -> Reference:
    """Return the colour from the frames that the user named.

    Charts set slopes, balance and matrices; grey cards the balance, with slopes as the roll's
    pictures have them (`solved`), or as the charts do. At least one frame is named, by its number
    on the contact sheet, as all `frames` are; `scans` are named where a frame can't be used.

    Raises SettingsProblem if a frame is not there, or shows no chart or card that can be used.
    """
    there = dict(frames)
    charts: list[Fitted] = []
    greys: list[tuple[str, GreyReading]] = []
    notes: list[str] = []
    for reference in named:
        number = reference.frame
        if number not in there:
            raise no_frame(f"reference frame {number}", list(there))
        frame = there[number]
        picture, scan = np.asarray(frame.thumbnail, np.float32), (scans or {}).get(number)
        shown = shown_by(reference, picture, frame.chart, scan)
        if isinstance(shown, GreyReading):
            greys.append((number, shown))
        else:
            seen = _seen(frame.rounded(shown))
            fit = fit_profile([seen], profile)
            charts.append((number, seen, fit))
            if fit.mean_residual > _MOST_MISFIT:
                notes.append(_misfit_note(number, shown, fit))
    colour = _from_charts(charts, profile, solved) if charts else solved
    words = [_words("chart", [number for number, *_ in charts])]
    words += [_words("grey card", [number for number, _ in greys])]
    if greys:
        densities = np.array([grey.density for _, grey in greys])
        before, colour = colour, balanced(colour, densities)
        moved = shift_words(as_triple(np.subtract(colour.balance, before.balance)))
        told = "the chart tells" if charts else "the roll's pictures tell"
        strange = "" if charts else strange_words(densities, solved)
        notes.append(f"{words[-1]} changed the balance by {moved} from what {told}{strange}")
    return Reference(colour, " and ".join(word for word in words if word), tuple(notes))


def found_reference(frames: Frames, profile: FilmProfile, solved: RollColour) -> Reference | None:
    """Return the colour from charts that nobody named, or None where no clear one is found.

    A clear chart that can't be used is left alone and noted: one in light of quite another colour
    than daylight, unless the pictures agree with it, one whose greys look alike, and one in part in
    shade. Where no other is there, the colour returned is the one solved from the pictures, without
    a source. Of very many charts those count that fit best.
    """
    if profile.fixed:
        return None
    clear = [
        _taken(number, frame.chart, profile, solved)
        for number, frame in frames
        if frame.chart is not None and frame.chart.confidence >= CLEAR_CHART
    ]
    notes = tuple(each for each in clear if isinstance(each, str))
    fits = _best([each for each in clear if isinstance(each, tuple)])
    if fits:
        colour = _from_charts(fits, profile, solved)
        return Reference(colour, _words("chart", [number for number, *_ in fits]), notes)
    return Reference(solved, "", notes) if notes else None


def _best(charts: Sequence[Fitted]) -> list[Fitted]:
    """Return the charts that fit best, in their order on the roll."""
    misfits = [fit.mean_residual for *_, fit in charts]
    places = sorted(range(len(charts)), key=lambda place: misfits[place])[:_MOST_CHARTS]
    return [charts[place] for place in sorted(places)]


def _taken(
    number: str, chart: ChartReading, profile: FilmProfile, solved: RollColour
) -> Fitted | str | None:
    """Return the fit of a chart that nobody named, why it sets no colour, or None for no chart."""
    trouble = chart_trouble(chart.densities)
    if trouble is not None:
        return f"the chart on frame {number} {trouble}, and sets no colour"
    if not usual_light(chart, profile, solved):
        return (
            f"the chart on frame {number} seems to be lit by a lamp or some other unusual "
            f"light, and sets no colour; --reference {number} makes it do so"
        )
    seen = _seen(chart)
    try:
        fit = fit_profile([seen], profile)
    except SettingsProblem:
        return None
    if fit.mean_residual <= _MOST_MISFIT:
        return number, seen, fit
    return f"{_misfit_note(number, chart, fit)}; it sets no colour"


def _seen(chart: ChartReading) -> SeenChart:
    return SeenChart(chart.densities, patch_error(chart))


def balanced(colour: RollColour, densities: Float64) -> RollColour:
    """Return a colour with the balance that makes densities (n, 3) of greys neutral on average."""
    logs = np.log10(np.maximum(layer_exposure(densities, colour), 1e-4))
    off = (logs - logs[:, 1:2]).mean(axis=0)
    balance = as_triple(colour.balance - off)
    return replace(colour, balance=balance, how="reference", confidence=max(colour.confidence, 0.8))


def shift_words(log_e: Triple) -> str:
    """Return a change of balance (log10 exposure per layer) in stops: 'R +0.31, G +0.00, ...'."""
    stops = zip("RGB", np.array(log_e) / LOG_STOP + 0.0, strict=True)
    return ", ".join(f"{name} {stop:+z.2f}" for name, stop in stops) + " stops"


def _misfit_note(number: str, chart: ChartReading, fit: ProfileFit) -> str:
    shade = "the edge of a shadow seems to lie over it"
    return (
        f"the chart on frame {number} fits the chart's known colours badly (mean difference "
        f"{fit.mean_residual:.1f}): "
        f"{shade if is_shaded(chart.densities) else 'see whether it is lit evenly'}"
    )


def _words(noun: str, numbers: Sequence[str]) -> str:
    """Return 'the chart on frame 07', 'the charts on frames 07, 12', or nothing."""
    if not numbers:
        return ""
    count = len(numbers)
    return f"the {plural(count, noun)} on {plural(count, 'frame')} {', '.join(numbers)}"


def _from_charts(charts: Sequence[Fitted], profile: FilmProfile, solved: RollColour) -> RollColour:
    """Return the colour of one or more charts together; balance is told against the profile.

    A shift of a curve along log exposure is what a balance is. A shift common to all layers is
    the exposure of the chart's frame and has no part in the colour. Charts that don't go together
    leave the one that fits best.
    """
    fit = min((fit for *_, fit in charts), key=lambda one: one.mean_residual)
    if len(charts) > 1:
        with suppress(SettingsProblem):
            fit = fit_profile([seen for _, seen, _ in charts], profile)
    red, green, blue = (
        replace(curve, toe_exposure=start.toe_exposure)
        for curve, start in _with_starts(fit.profile, profile)
    )
    return replace(
        solved,
        unmask=fit.profile.unmask,
        curves=(red, green, blue),
        balance=balance_shift(fit.profile, profile),
        scene=fit.profile.scene,
        how="reference",
        confidence=0.95,
    )


def balance_shift(fitted: FilmProfile, start: FilmProfile) -> Triple:
    """Return what a fitted profile adds to log10 exposures of red and blue, against green."""
    logs = [
        math.log10(now.toe_exposure / was.toe_exposure) for now, was in _with_starts(fitted, start)
    ]
    return as_triple(np.subtract(logs, logs[1]))


def _with_starts(
    fitted: FilmProfile, start: FilmProfile
) -> Iterator[tuple[LayerCurve, LayerCurve]]:
    return zip(fittable_curves(fitted), fittable_curves(start), strict=True)
