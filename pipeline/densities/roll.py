"""Densities of strips and roll: control patches, ranges, toe and shoulder, and their trust."""

from collections.abc import Sequence

import numpy as np

from pipeline.colour import RollColour
from pipeline.densities.contrast import estimate_contrast, neutral_slope, usual_print
from pipeline.densities.roll_curve import FilmCurve
from pipeline.kinds import HOLDS_PICTURE, Triple, as_triple
from pipeline.profile import Curve, FilmProfile, LayerCurve, ScannerProfile, base_status_m, status_m
from pipeline.record import (
    ChannelSpread,
    PatchRecord,
    RollDensities,
    StripDensities,
)
from pipeline.strip import dark_error
from pipeline.survey import StripSurvey, edge_print, picture_samples
from pipeline.words import counted

# The toe ends where the curve has half of its straight slope.
_TOE_SHARE = 0.5
_FEW_PICTURES = 6


def strip_densities(
    strip: StripSurvey, colour: RollColour, scanner: ScannerProfile | None
) -> StripDensities:
    """Return what one strip's densities tell."""
    # Against the open gate nothing is dense: all of the base's own shift counts.
    lit = strip.base.illumination
    gate = as_triple(lit.reference() + np.asarray(lit.dark))
    off = dark_error(np.array(strip.base.density), gate, lit)
    toe, shoulder = _curve_shares([strip], colour)
    return StripDensities(
        base_error=as_triple(off),
        range=_range([strip]),
        edge_print=_patch(
            strip.print_density, strip.print_error, strip.print_from or "codes", scanner
        ),
        d_max=_patch(strip.d_max, strip.d_max_error, "light-struck film", scanner),
        toe=toe,
        shoulder=shoulder,
    )


def roll_densities(
    strips: Sequence[StripSurvey],
    colour: RollColour,
    profile: FilmProfile,
    scanner: ScannerProfile | None = None,
    clipped: bool = False,
    curve: FilmCurve | None = None,
) -> RollDensities:
    """Return what all strips together tell of a roll's densities.

    Parameters
    ----------
    strips
        As surveyed.
    colour, profile
        Of the roll; their curves say where toe and shoulder are.
    scanner
        Its profile, for Status M.
    clipped
        Whether an open gate is at full scale.
    curve
        The film's curve where a wedge, bracket or chart on it gives one.
    """
    base = as_triple(np.median([s.base.density for s in strips], axis=0)) if strips else None
    found = edge_print(strips)
    printed = _patch(found.density, found.error, found.how, scanner) if found else None
    guess = None
    if curve is None and strips:
        guess = estimate_contrast(
            picture_samples(strips), printed.density if printed else None, colour, profile
        )
    toe, shoulder = _curve_shares(strips, colour)
    absolute = bool(strips) and all(strip.absolute for strip in strips)
    return RollDensities(
        base=base,
        range=_range(strips),
        contrast=curve.contrast if curve else None,
        edge_print=printed.density if printed else None,
        base_status_m=as_triple(base_status_m(np.array(base), scanner))
        if absolute and base is not None and scanner is not None
        else None,
        edge_print_error=printed.error if printed else None,
        edge_print_status_m=printed.status_m if printed else None,
        d_max=d_max(strips, scanner),
        contrast_error=curve.contrast_error if curve else None,
        contrast_how=curve.how if curve else None,
        contrast_estimate=guess,
        toe=toe,
        shoulder=shoulder,
        toe_density=as_triple(np.array([toe_density(c) for c in colour.curves])),
        shoulder_density=_shoulder(colour),
        base_usual=(profile.base_low, profile.base_high) if scanner and absolute else None,
        edge_print_usual=usual_print(profile),
        channel_spread=_channel_spread(printed, colour, curve),
        trust=trust(strips, scanner, clipped, curve),
    )


def toe_density(curve: Curve) -> float:
    """Return the density above base at which a curve has half of its straight slope."""
    logs = np.linspace(-6.0, 2.0, 1601)
    density = curve.density(10.0**logs)
    steep = np.gradient(density, logs) >= _TOE_SHARE * curve.slope
    return float(density[int(np.argmax(steep))]) if steep.any() else 0.0


def trust(
    strips: Sequence[StripSurvey],
    scanner: ScannerProfile | None,
    clipped: bool,
    curve: FilmCurve | None = None,
) -> tuple[str, ...]:
    """Return in plain sentences how far the densities of a roll can be trusted."""
    if not strips:
        return ("No film was found, so there is nothing to trust.",)
    said = []
    seen = [strip.base.illumination.absolute for strip in strips]
    if clipped:
        said.append(
            "The open gate is at full scale (clipped): densities of the base are relative, and "
            "those above base hold."
        )
    elif not any(seen):
        said.append(
            "No open gate is in view: the base is relative to the scanner's full scale, and only "
            "densities above base hold."
        )
    elif not all(seen):
        said.append("Some strips show no open gate: their base can't be held against the others'.")
    if any(strip.developed for strip in strips):
        said.append(
            "A camera developed a file with a curve of its own, which its colour profile doesn't "
            "tell: all densities are doubtful. Photograph as camera raw, or develop it without a "
            "curve and name its gamma by --scan-gamma."
        )
    if not all(strip.curve_known or strip.developed for strip in strips):
        said.append(
            "A file names neither its colour profile nor a gamma and was taken as sRGB: a camera "
            "that drew a curve of its own makes all densities doubtful. Save it with its profile, "
            "or as camera raw."
        )
    if not all(any(strip.base.illumination.dark) for strip in strips):
        said.append(
            "Nothing opaque is in view, so the scanner's dark level and flare are not known: "
            "dense parts read too thin."
        )
    if scanner is None:
        said.append("No scanner profile is named: these are the scanner's densities, not Status M.")
    else:
        said.append("Status M is computed from the scanner's bands, as its profile has them.")
    count = sum(frame.kind in HOLDS_PICTURE for strip in strips for frame in strip.frames)
    if curve is None:
        said.append(
            "No wedge, bracket or chart was measured: contrast is a guess, with an interval that "
            "holds nine rolls in ten."
        )
    if count < _FEW_PICTURES:
        said.append(
            f"Of {counted(count, 'picture')} only, ranges and shares may be those of the scenes."
        )
    if not any(strip.print_density for strip in strips):
        said.append("No edge print was measured: thin film can't be told from little exposure.")
    said.append("None of this is a densitometer's reading.")
    return tuple(said)


def _patch(
    density: Triple | None, error: Triple | None, how: str, scanner: ScannerProfile | None
) -> PatchRecord | None:
    if density is None:
        return None
    in_status_m = None if scanner is None else as_triple(status_m(np.array(density), scanner))
    return PatchRecord(density, error or (0.0, 0.0, 0.0), how, in_status_m)


def d_max(strips: Sequence[StripSurvey], scanner: ScannerProfile | None) -> PatchRecord | None:
    """Return the density of light-struck film where it is known best."""
    known = [s for s in strips if s.d_max is not None and s.d_max_error is not None]
    if not known:
        return None
    best = min(known, key=lambda strip: float(np.sum(strip.d_max_error or 0.0)))
    return _patch(best.d_max, best.d_max_error, "light-struck film", scanner)


def _range(strips: Sequence[StripSurvey]) -> Triple | None:
    """Return the densest part of the pictures less the thinnest."""
    pictures = [f for strip in strips for f in strip.frames if f.kind in HOLDS_PICTURE]
    if not pictures:
        return None
    least = np.min([frame.least for frame in pictures], axis=0)
    return as_triple(np.max([frame.most for frame in pictures], axis=0) - least)


def _shoulder(colour: RollColour) -> Triple | None:
    """Return where the curves bend over, None where the profile has no shoulder."""
    bends = [
        curve.shoulder.density
        for curve in colour.curves
        if isinstance(curve, LayerCurve) and curve.shoulder is not None
    ]
    return as_triple(np.array(bends)) if len(bends) == len(colour.curves) else None


def _curve_shares(
    strips: Sequence[StripSurvey], colour: RollColour
) -> tuple[Triple | None, Triple | None]:
    """Return the shares of the pictures' samples in toe and shoulder, per layer."""
    samples = [each for each in picture_samples(strips) if len(each)]
    if not samples:
        return None, None
    unmask = np.asarray(colour.unmask, float)
    toes = np.array([toe_density(curve) for curve in colour.curves])
    bends = _shoulder(colour)
    in_toe, in_shoulder = [], []
    for each in samples:
        layers = np.asarray(each, float) @ unmask.T
        in_toe.append((layers < toes).mean(axis=0))
        if bends is not None:
            in_shoulder.append((layers > bends).mean(axis=0))
    toe = as_triple(np.mean(in_toe, axis=0))
    return toe, as_triple(np.mean(in_shoulder, axis=0)) if in_shoulder else None


def _channel_spread(
    printed: PatchRecord | None, colour: RollColour, curve: FilmCurve | None
) -> ChannelSpread:
    slopes = np.asarray(curve.contrast) if curve else neutral_slope(colour)
    apart = float(np.ptp(slopes) / slopes.mean()) if slopes.mean() > 0.0 else None
    return ChannelSpread(float(np.ptp(printed.density)) if printed else None, apart)
