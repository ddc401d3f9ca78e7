"""Findings: what the densities of a roll say, each with its evidence."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.control import control_limits
from pipeline.densities import d_max
from pipeline.diagnosis.finding import as_finding, count_findings, fault_findings
from pipeline.diagnosis.fit import fault_model
from pipeline.diagnosis.model import weigh
from pipeline.diagnosis.shown import Shown, shown_of_strips
from pipeline.diagnosis.signs import PatchDensities, RollSigns, picture_blocks, signs_of_samples
from pipeline.kinds import HOLDS_PICTURE, Triple, as_triple
from pipeline.profile import (
    MONOCHROME,
    FilmProfile,
    ScannerProfile,
    base_status_m,
    find_film,
    shipped,
    status_m,
)
from pipeline.record import Finding, by_weight
from pipeline.settings import RollNotes
from pipeline.survey import FrameSurvey, StripSurvey, edge_print

# Layers are told by the same matrix on every roll, as the model has it.
_SIGNS_PROFILE = "generic"
FILM_CODES = frozenset({
    "normal", "under-exposed", "over-exposed", "under-developed", "over-developed",
    "colour-crossover", "high-base", "retained-silver", "no-image", "unexposed",
})  # fmt: skip
"""Findings of exposure and process; the others are of counting, light and scanner."""


def _limits() -> dict[str, Any]:
    return dict(shipped("process.toml")["roll"])


def _pictures(strips: Sequence[StripSurvey]) -> list[FrameSurvey]:
    return [frame for strip in strips for frame in strip.frames if frame.kind in HOLDS_PICTURE]


def _edge_print(strips: Sequence[StripSurvey]) -> Triple | None:
    printed = edge_print(strips)
    return None if printed is None else printed.density


def _base(strips: Sequence[StripSurvey]) -> Triple | None:
    """Return the density of the base against the open gate, None where no strip shows one."""
    seen = [s.base.density for s in strips if s.absolute]
    return as_triple(np.median(seen, axis=0)) if seen else None


def _surely_struck(strips: Sequence[StripSurvey]) -> Triple | None:
    """Return the density of light-struck film, no number where it is too dense to be sure of."""
    struck = d_max(strips, None)
    if struck is None:
        return None
    sure = np.array(struck.error) <= _limits()["most_struck_error"]
    return as_triple(np.where(sure, struck.density, np.nan))


def roll_signs(strips: Sequence[StripSurvey], scanner: ScannerProfile | None = None) -> RollSigns:
    """Return the signs of a roll; of Status M densities where the scanner's profile is known."""

    def seen(density: Any) -> Any:
        return density if scanner is None else status_m(np.asarray(density, float), scanner)

    def triple(density: Triple | None) -> Triple | None:
        return None if density is None else as_triple(np.asarray(seen(density)))

    base = _base(strips)
    if base is not None and scanner is not None:
        base = as_triple(base_status_m(np.asarray(base), scanner))
    patches = PatchDensities(triple(_edge_print(strips)), base, triple(_surely_struck(strips)))
    samples = (seen(picture_blocks(np.asarray(frame.thumbnail))) for frame in _pictures(strips))
    return signs_of_samples(samples, find_film(_SIGNS_PROFILE).unmask, patches)


def diagnose(
    strips: Sequence[StripSurvey],
    signs: RollSigns,
    profile: FilmProfile,
    notes: RollNotes,
    clipped: bool,
    aim: Shown | None = None,
) -> tuple[Finding, ...]:
    """Return the findings of a roll, gravest first; `normal` if the film itself gives none.

    Those of exposure and process go before those of counting and scanning that weigh as much.
    `signs` are the roll's (`roll_signs`); `aim` is a roll of the same film and scanner that is
    known to be right.
    """
    if profile.name == MONOCHROME:
        of_film = _grey_findings(strips, profile)
    elif _pictures(strips):
        of_film = list(colour_findings(shown_of_strips(signs, strips), aim, _silver_seen(strips)))
    else:
        of_film = _without_pictures(strips, profile)
    counted = count_findings(strips, notes)
    leaks = _leak_findings(strips)
    if counted or leaks:
        of_film = [finding for finding in of_film if finding.code != "normal"]
    return by_weight([*of_film, *leaks, *counted, *_scanner_findings(strips, clipped)])


def colour_findings(
    shown: Shown, aim: Shown | None = None, silver_seen: bool | None = None
) -> tuple[Finding, ...]:
    """Return what a colour roll with pictures shows of exposure and process.

    An aim of another film or scanner is said to be so and not used: by codes and resolution, else
    by signs such as no fault makes of one film on one scanner.
    """
    unlike = shown.unlike(aim) if aim else None
    used = aim.signs if aim and not unlike else None
    film_known = aim is not None and bool(shown.films & aim.films)
    logged = aim is not None and aim.logged > 0
    weighed = weigh(shown.signs, fault_model(), used, silver_seen, film_known, logged)
    if aim is not None and used is not None and not weighed.aimed:
        unlike = (
            f"by base, edge print and contrast {aim.name} may be of another film or scanner "
            f"({weighed.other_aim:.2f})"
        )
    against = aim.name if aim and aim.logged and weighed.aimed else None
    return fault_findings(shown.signs, weighed, unlike, against)


def _silver_seen(strips: Sequence[StripSurvey]) -> bool | None:
    """Tell whether infra-red shows the pictures, as most strips have it; None without."""
    verdicts = [s.cross_talk.verdict for s in strips if s.cross_talk is not None]
    told = [verdict == "silver" for verdict in verdicts if verdict != "misfit"]
    return sum(told) * 2 > len(told) if told else None


def _grey_findings(strips: Sequence[StripSurvey], profile: FilmProfile) -> list[Finding]:
    """Return what a silver image tells: with one channel there is but thin and dense."""
    limits, pictures = _limits(), _pictures(strips)
    if not pictures:
        return _without_pictures(strips, profile)
    printed = _edge_print(strips)
    medians = np.array([np.mean(frame.median) for frame in pictures])
    figures = f"Median density above base {np.median(medians):.2f} over {len(pictures)} pictures"
    if float((medians < limits["thin_median_density"]).mean()) >= limits["roll_share"]:
        if printed is None:
            told = "no edge print in view, without which thin development looks the same"
            return [as_finding("under-exposed", 0.4, f"{figures}, {told}.")]
        weak = float(np.mean(printed)) < control_limits().spots.edge_print_weak
        code = "under-developed" if weak else "under-exposed"
        return [as_finding(code, 0.7, f"{figures}, edge print {np.mean(printed):.2f}.")]
    if float((medians > limits["dense_median_density"]).mean()) >= limits["roll_share"]:
        return [as_finding("over-exposed", 0.6, f"{figures}.")]
    return [as_finding("normal", 0.6, f"{figures}.")]


def _without_pictures(strips: Sequence[StripSurvey], profile: FilmProfile) -> list[Finding]:
    """Tell film that saw no light from film that saw no developer.

    The print at its edge tells; where that is hidden, developed film has some fog, so that its
    base passes less red light than that of film which was only bleached and fixed.
    """
    if not strips:
        return []
    printed = _edge_print(strips)
    if printed is not None:
        figures = f"No pictures, but an edge print of {np.mean(printed):.2f} above base."
        return [as_finding("unexposed", 0.95, figures)]
    base = _base(strips)
    bare = base is not None and base[0] < profile.base_low[0] - _limits()["bare_base_density"]
    told = "Neither pictures nor edge print"
    if base is not None:
        told += ", and a base of " + " / ".join(f"{value:.2f}" for value in base)
    if all(strip.format.startswith("135") and any(strip.edges_seen) for strip in strips):
        return [as_finding("no-image", 0.95 if bare else 0.8, f"{told}.")]
    if bare:
        return [as_finding("no-image", 0.75, f"{told}, clearer than that of developed film.")]
    doubt = "with no edge print to read, film that saw no light and film that was not developed"
    return [as_finding("unexposed", 0.6, f"{told}; {doubt} look much alike.")]


def _leak_findings(strips: Sequence[StripSurvey]) -> list[Finding]:
    leaks = [(place, s.leak) for place, s in enumerate(strips, 1) if s.leak is not None]
    if not leaks:
        return []
    length = sum(leak.length_mm for _, leak in leaks)
    densest = max((leak.density for _, leak in leaks), key=sum)
    figures = " / ".join(f"{value:.2f}" for value in densest)
    where = ", ".join(str(place) for place, _ in leaks)
    evidence = (
        f"The rebate is up to {figures} denser than the base over {length:.0f} mm "
        f"on {'strips' if len(leaks) > 1 else 'strip'} {where}."
    )
    return [as_finding("light-leak", 0.85, evidence)]


def _scanner_findings(strips: Sequence[StripSurvey], clipped: bool) -> list[Finding]:
    findings = []
    if clipped:
        findings.append(as_finding("scanner-clipped", 0.95, "The open gate is at full scale."))
    levels = np.log10([strip.base.light for strip in strips]) if strips else np.zeros((0, 3))
    drift = np.ptp(levels, axis=0) if len(levels) > 1 else np.zeros(3)
    if drift.max() > _limits()["scanner_drift_density"]:
        figures = " / ".join(f"{value:.2f}" for value in drift)
        evidence = f"The base's light varies by {figures} in density from strip to strip."
        findings.append(as_finding("scanner-drift", 0.9, evidence))
    return findings
