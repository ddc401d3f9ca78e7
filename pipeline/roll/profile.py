"""A film profile out of a roll: fitted to its reference frames."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.chart import ChartReading, GreyReading, chart_layout, patch_error
from pipeline.colour import (
    ProfileFit,
    SeenChart,
    balance_shift,
    fit_grey,
    fit_profile,
    no_frame,
    shift_words,
    shown_by,
)
from pipeline.kinds import as_matrix
from pipeline.numbering import film_codes
from pipeline.problem import SettingsProblem
from pipeline.profile import FilmProfile
from pipeline.render import cut_light, to_density_above
from pipeline.roll.survey import SurveyedRoll
from pipeline.settings import ReferenceFrame
from pipeline.survey import FrameSurvey, StripSurvey
from pipeline.words import plural


@dataclass(frozen=True)
class RollProfile:
    """A film profile made from a roll; `fit` has its residuals where a chart was there."""

    profile: FilmProfile
    fit: ProfileFit | None

    def notes(self) -> tuple[str, ...]:
        """Return lines on how well it fits: mean and worst, then each patch."""
        if self.fit is None:
            return ()
        name, worst = self.fit.worst_residual
        mean = self.fit.mean_residual
        lines = [f"CIEDE2000 of the chart's patches: mean {mean:.2f}, worst {worst:.2f} ({name})"]
        for patch, errors, taken in zip(
            chart_layout().names, self.fit.residual.T, self.fit.trusted.T, strict=True
        ):
            told = ", ".join(
                f"{error:.2f}" if used else f"{error:.2f} left out"
                for error, used in zip(errors, taken, strict=True)
            )
            lines.append(f"  {patch}: {told}")
        return tuple(lines)


def roll_profile(
    surveyed: SurveyedRoll, references: Sequence[ReferenceFrame], name: str
) -> RollProfile:
    """Return a film profile fitted to the charts on a roll, or balanced by its grey cards.

    The fit starts from the roll's own profile.

    Raises SettingsProblem if a frame is not there or shows neither, or a profile can't be fitted to
    it. Raises ScanProblem if a scan can't be read any more.
    """
    placed = [_placed(surveyed, reference) for reference in references]
    shown = [_shown(*each, by) for each, by in zip(placed, references, strict=True)]
    charts = [reading for reading in shown if isinstance(reading, ChartReading)]
    greys = [reading.density for reading in shown if isinstance(reading, GreyReading)]
    if charts and greys:
        raise SettingsProblem(
            None, "charts and grey cards are named together", "name frames of one of them"
        )
    frames = ", ".join(reference.frame for reference in references)
    where = f"{plural(len(shown), 'frame')} {frames} of roll {surveyed.roll.name}"
    start = surveyed.profile
    fit = None
    if charts:
        seen = [SeenChart(chart.densities, patch_error(chart)) for chart in charts]
        fit = fit_profile(seen, start)
        patch, worst = fit.worst_residual
        words = f"fitted to the 24-patch chart in {where}, starting from {start.name}"
        residual = f"CIEDE2000 mean {fit.mean_residual:.2f}, worst {worst:.2f} ({patch})"
        source, fitted = f"{words}; {residual}", fit.profile
        parts = ["unmask", "layers", "scene"]
    else:
        fitted = fit_grey(np.mean(greys, axis=0), start)
        moved = shift_words(balance_shift(fitted, start))
        words = f"balanced by the grey card in {where} ({moved}), otherwise {start.name}"
        source, parts = words, ["layers", "grey"]
    spread = "how far another roll of the same film may stray: profiles/fit.toml"
    sources = dict(start.sources) | dict.fromkeys(parts, words) | {"spread": spread}
    # What it makes of Status M is known again only where the scanner is.
    by_status_m = None
    if surveyed.scanner is not None:
        by_status_m = as_matrix(np.asarray(fitted.unmask) @ np.linalg.inv(surveyed.scanner.matrix))
    profile = replace(
        fitted,
        name=name,
        source=source,
        sources=sources,
        unmask_status_m=by_status_m,
        film_codes=film_codes(strip for strip, _ in placed),
    )
    return RollProfile(profile, fit)


def _placed(surveyed: SurveyedRoll, reference: ReferenceFrame) -> tuple[StripSurvey, FrameSurvey]:
    """Return the frame of a reference, and its strip."""
    there: dict[str, tuple[StripSurvey, FrameSurvey]] = {
        frame.number.number: (strip, frame.survey)
        for strip, frames in zip(surveyed.strips, surveyed.frames, strict=True)
        for frame in frames
    }
    number = reference.frame
    if number not in there:
        raise no_frame(f"reference frame {number}", list(there))
    return there[number]


def _shown(
    strip: StripSurvey, frame: FrameSurvey, reference: ReferenceFrame
) -> ChartReading | GreyReading:
    """Return the chart or card on a frame, in its density above base, straightened."""
    above = to_density_above(cut_light(strip.scan, frame.outline), frame.base)
    shown = shown_by(reference, above, scan=strip.scan.path)
    return frame.rounded(shown) if isinstance(shown, ChartReading) else shown
