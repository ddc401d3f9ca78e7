"""Findings: what the densities of a roll say, each with its evidence."""

import itertools
import tomllib
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np

from pipeline.contact_sheet import counted
from pipeline.density import as_triple
from pipeline.film import FilmProfile, profiles_folder
from pipeline.frame_survey import FrameSurvey
from pipeline.frames import HOLDS_PICTURE
from pipeline.record import Finding
from pipeline.scanner_profile import ScannerProfile, status_m
from pipeline.settings import RollNotes
from pipeline.survey import StripSurvey


@cache
def _limits() -> dict[str, float]:
    document = tomllib.loads((profiles_folder() / "process.toml").read_text("utf-8"))
    return {key: value for key, value in document["roll"].items() if key != "source"}


@cache
def _count() -> dict[str, Any]:
    document = tomllib.loads((profiles_folder() / "process.toml").read_text("utf-8"))
    return dict(document["count"])


def _pictures(strips: Sequence[StripSurvey]) -> list[FrameSurvey]:
    return [frame for strip in strips for frame in strip.frames if frame.kind in HOLDS_PICTURE]


def edge_print(strips: Sequence[StripSurvey]) -> tuple[float, float, float] | None:
    """Return the edge print's median density above base over the roll, or None if none was read."""
    printed = [strip.print_density for strip in strips if strip.print_density is not None]
    if not printed:
        return None
    return as_triple(np.median(np.asarray(printed), axis=0))


def diagnose(
    strips: Sequence[StripSurvey],
    profile: FilmProfile,
    notes: RollNotes,
    clipped: bool,
    scanner: ScannerProfile | None = None,
) -> tuple[Finding, ...]:
    """Return the findings of a roll, gravest first; `normal` if the film itself gives none.

    Thin pictures with a sound edge print are under-exposed; thin pictures with a weak one are
    under-developed, for the print is exposed at the factory (common practice, no source).
    """
    of_film = [
        *_density_findings(strips),
        *_base_findings(strips, profile, scanner),
        *_count_findings(strips, notes),
    ]
    findings = [*of_film, *_scanner_findings(strips, clipped)]
    order = ("fault", "warning", "note")
    findings.sort(key=lambda finding: (order.index(finding.severity), -finding.confidence))
    if of_film or not _pictures(strips):
        return tuple(findings)
    normal = Finding("normal", "note", 0.6, _summary(strips), "Nothing to do.")
    return (normal, *findings)


def _summary(strips: Sequence[StripSurvey]) -> str:
    medians = [float(np.mean(frame.median)) for frame in _pictures(strips)]
    return f"{len(medians)} pictures with a median density of {np.median(medians):.2f} above base."


def _density_findings(strips: Sequence[StripSurvey]) -> list[Finding]:
    limits = _limits()
    pictures = _pictures(strips)
    printed = edge_print(strips)
    if not pictures:
        return _without_pictures(strips, printed)
    medians = np.array([np.mean(frame.median) for frame in pictures])
    thin = float((medians < limits["thin_median_density"]).mean())
    dense = float((medians > limits["dense_median_density"]).mean())
    weak = printed is not None and float(np.mean(printed)) < limits["weak_edge_print_density"]
    figures = f"Median density above base {np.median(medians):.2f} over {len(pictures)} pictures"
    told = ", no edge print in view" if printed is None else f", edge print {np.mean(printed):.2f}"
    if weak:
        return [
            Finding(
                "under-developed",
                "warning",
                0.7,
                f"{figures}{told}, which is weak.",
                "Check the developer's temperature, time and age before the next roll.",
            )
        ]
    if thin >= limits["roll_share"]:
        sure = 0.8 if printed is not None else 0.4
        advice = (
            "Give more exposure; the edge print is sound."
            if printed is not None
            else "Give more exposure, or check the developer: "
            "without the edge print they look alike."
        )
        return [Finding("under-exposed", "warning", sure, f"{figures}{told}.", advice)]
    if dense >= limits["roll_share"]:
        return [Finding("over-exposed", "note", 0.6, f"{figures}{told}.", "Give less exposure.")]
    return []


def _without_pictures(
    strips: Sequence[StripSurvey], printed: tuple[float, float, float] | None
) -> list[Finding]:
    if not strips:
        return []
    if printed is not None:
        return [
            Finding(
                "unexposed",
                "fault",
                0.9,
                f"No pictures, but an edge print of {np.mean(printed):.2f} above base.",
                "The film was developed but never exposed: check shutter and transport.",
            )
        ]
    if all(strip.format.startswith("135") for strip in strips):
        return [
            Finding(
                "no-image",
                "fault",
                0.6,
                "Neither pictures nor edge print.",
                "Check that the developer came first and was alive.",
            )
        ]
    return []


def _base_findings(
    strips: Sequence[StripSurvey], profile: FilmProfile, scanner: ScannerProfile | None
) -> list[Finding]:
    absolute = [strip.base.density for strip in strips if strip.illumination.absolute]
    if not absolute:
        return []
    base = np.median(np.asarray(absolute), axis=0)
    if scanner is not None:
        base = status_m(base, scanner)
    over = base - np.asarray(profile.base_high) - _limits()["base_over_range_density"]
    if not (over > 0.0).all():
        return []
    figures = " / ".join(f"{value:.2f}" for value in base)
    return [
        Finding(
            "high-base",
            "warning",
            0.5,
            f"Base {figures}, above the usual range.",
            "Look for fog (old film, light) or stain (worn bleach or fixer).",
        )
    ]


def _scanner_findings(strips: Sequence[StripSurvey], clipped: bool) -> list[Finding]:
    findings = []
    if clipped:
        findings.append(
            Finding(
                "scanner-clipped",
                "note",
                0.95,
                "The open gate is at full scale.",
                "Scan with less exposure to get densities against the open gate.",
            )
        )
    levels = np.log10([strip.base.light for strip in strips]) if strips else np.zeros((0, 3))
    drift = np.ptp(levels, axis=0) if len(levels) > 1 else np.zeros(3)
    if drift.max() > _limits()["scanner_drift_density"]:
        figures = " / ".join(f"{value:.2f}" for value in drift)
        findings.append(
            Finding(
                "scanner-drift",
                "note",
                0.9,
                f"The base's light varies by {figures} in density from strip to strip.",
                "It is taken out; lock the scanner's exposure to avoid it.",
            )
        )
    return findings


def _count_findings(strips: Sequence[StripSurvey], notes: RollNotes) -> list[Finding]:
    """Hold the frames found against the count expected; blank ones may count or not."""
    expected = notes.expected_frames
    frames = [frame for strip in strips for frame in strip.frames]
    if expected is None:
        return []
    exposed = sum(frame.kind != "blank" for frame in frames)
    most = expected + _surplus(expected, strips)
    if exposed <= most and len(frames) >= expected:
        return []
    wanted = f"{expected}" if most == expected else f"{expected} to {most}"
    blank = f", {len(frames) - exposed} of them blank" if exposed < len(frames) else ""
    missing = _missing_numbers(strips)
    evidence = f"{counted(len(frames), 'frame')} found{blank}; {wanted} expected."
    if missing:
        evidence += f" By the numbers on the film's edge there is no frame {', '.join(missing)}."
    if exposed > most:
        advice = "Look at the contact sheet for a frame cut in two or taken twice"
    elif missing:
        advice = "Look where they should be: is a strip not scanned, or a dark picture missed"
    else:
        advice = "Look at the contact sheet for a frame missed, and whether all strips are scanned"
    advice += "; [[frames]] in roll.toml corrects what was found."
    return [Finding("frame-count", "warning", 0.9, evidence, advice)]


def _surplus(expected: int, strips: Sequence[StripSurvey]) -> int:
    """Return how many frames more than a roll is sold for are usual."""
    if not strips or not all(strip.format.startswith("135") for strip in strips):
        return 0
    count = _count()
    each = 2 if all(strip.format == "135-half" for strip in strips) else 1
    sold = [number * each for number in count["sold_for"]]
    return int(count["surplus"]) * each if expected in sold else 0


def _missing_numbers(strips: Sequence[StripSurvey]) -> list[str]:
    """Return whole numbers that the film's edge passes over between the frames that have one.

    Cameras don't wind by the edge numbers: a pitch a little over or under 38 mm makes the frames
    drift, so that only a step of two numbers (of one, for half frames) speaks for a frame.
    """
    missing = []
    for before, after in itertools.pairwise(_edge_numbers(strips)):
        half = before[1] and after[1]
        step = 0.5 if half else 1.0
        for count in range(1, int((after[0] - before[0]) / step + 0.25)):
            number = before[0] + count * step
            missing.append(f"{int(number):02d}" + ("A" if half and number % 1 else ""))
    return missing


def _edge_numbers(strips: Sequence[StripSurvey]) -> list[tuple[float, bool]]:
    """Return the edge numbers of frames, and whether they are half frames, along the film."""
    numbers = [
        (int(frame.edge_number.rstrip("A")) + 0.5 * frame.edge_number.endswith("A"), half)
        for strip in strips
        for half in (strip.format == "135-half",)
        if strip.format in ("135", "135-half")
        for frame in strip.frames
        if frame.edge_number is not None and frame.edge_number.rstrip("A").isdecimal()
    ]
    return sorted(set(numbers))
