"""Findings out of spot readings: base, edge print, grey card and picture of a film."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.control_finding import triple_text
from pipeline.control_limits import SpotLimits, control_limits
from pipeline.kinds import Float64
from pipeline.readings import Spot
from pipeline.record import Finding

THIN, SOUND, DENSE, NONE = "thin", "sound", "dense", "none"


# By the state of the edge print: code, severity, confidence alone and with pictures alike, advice.
_OF_PRINT = {
    THIN: (
        "under-developed", "fault", 0.75, 0.85,
        "Check the developer's temperature, time and age. It could also be a film whose edge "
        "print is weak by nature, or very old film: tell by a fresh film of the same kind.",
    ),
    DENSE: (
        "over-developed", "warning", 0.6, 0.75,
        "Check the developer's temperature and time. It could also be film with a dense edge "
        "print by nature: tell by a film of the same kind from a process in control.",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class _Film:
    """The spots of one film: densities (3,) by place."""

    name: str
    read: Mapping[str, Float64]

    def above_base(self, place: str) -> Float64 | None:
        """Return densities above base, None where no channel was read of both."""
        if place not in self.read or "base" not in self.read:
            return None
        above = self.read[place] - self.read["base"]
        return above if np.isfinite(above).any() else None


@dataclass(frozen=True)
class _Told:
    """What one spot says, and in what words; `state` is None where it can't be told."""

    state: str | None
    words: str


def spot_findings(spots: Sequence[Spot], aim_spots: Sequence[Spot]) -> tuple[Finding, ...]:
    """Return what spot readings say of each film, the most certain first.

    The edge print is exposed at the factory: weak, it speaks of development, and with a sound one
    thin pictures speak of exposure (common practice, no source). Without it the two can't be told
    apart, and both are named. Spots of the aim go before the usual densities of film.
    """
    limits = control_limits().spots
    aim = _film("aim", aim_spots)
    films: dict[tuple[object, ...], list[Spot]] = {}
    for spot in spots:
        films.setdefault((spot.strip, spot.date, spot.batch), []).append(spot)
    findings = []
    for own in films.values():
        findings += _of_film(_film(own[0].strip, own), aim, limits)
    return tuple(sorted(findings, key=lambda found: -found.confidence))


def _film(name: str, spots: Sequence[Spot]) -> _Film:
    return _Film(name, {spot.place: np.array(spot.density) for spot in reversed(spots)})


def _of_film(film: _Film, aim: _Film, limits: SpotLimits) -> list[Finding]:
    printed = _edge_print(film, aim, limits)
    pictures = _pictures(film, aim, limits)
    findings = [*_base(film, aim, limits), *_development(film.name, printed, pictures)]
    base = film.read.get("base")
    if findings or (printed.state is None and pictures.state is None and base is None):
        return findings
    words = ["" if base is None else f"base {triple_text(base, False)}", printed.words]
    told = "; ".join(each for each in (*words, pictures.words) if each)
    sure = 0.85 if printed.state == SOUND and pictures.state is not None else 0.6
    return [Finding("normal", "note", sure, f"Film {film.name}: {told}.", "Nothing to do.")]


def _edge_print(film: _Film, aim: _Film, limits: SpotLimits) -> _Told:
    above = film.above_base("edge-print")
    if above is None:
        read = "edge-print" in film.read
        return _Told(None, "edge print without a base" if read else "no edge print read")
    mean = float(np.nanmean(above))
    words = f"edge print {triple_text(above, False)} above base"
    if mean <= limits.edge_print_none:
        return _Told(NONE, words)
    usual = aim.above_base("edge-print")
    if usual is not None and np.nanmean(usual) > limits.edge_print_none:
        share = mean / float(np.nanmean(usual))
        words += f", {100 * share:.0f} % of the aim's"
        return _Told(_state(share, limits.edge_share_weak, limits.edge_share_strong), words)
    return _Told(_state(mean, limits.edge_print_weak, limits.edge_print_strong), words)


def _pictures(film: _Film, aim: _Film, limits: SpotLimits) -> _Told:
    """Return what the grey card says, else the picture; a card says it in stops."""
    red, usual = (float(each.read.get("grey", (math.nan,))[0]) for each in (film, aim))
    if math.isfinite(red):
        low, high = limits.grey_card_red
        if math.isfinite(usual):
            low, high = usual - 0.10, usual + 0.10
        off = max(low - red, 0.0) or min(high - red, 0.0)
        words = f"grey card {red:.2f} in red, {low:.2f} to {high:.2f} expected"
        if off:
            way = "less" if off > 0 else "more"
            words += f" (about {abs(off) / limits.density_a_stop:.1f} stops {way})"
        return _Told(_state(red, low, high), words)
    above = film.above_base("picture")
    if above is None:
        return _Told(None, "")
    mean = float(np.nanmean(above))
    words = f"picture {triple_text(above, False)} above base"
    if mean <= limits.picture_none:
        return _Told(NONE, words)
    return _Told(_state(mean, limits.picture_thin, limits.picture_dense), words)


def _development(name: str, printed: _Told, pictures: _Told) -> list[Finding]:
    told = "; ".join(each.words for each in (printed, pictures) if each.words)
    evidence = f"Film {name}: {told}."
    if printed.state in _OF_PRINT:
        code, severity, alone, alike, advice = _OF_PRINT[printed.state]
        sure = alike if pictures.state == printed.state else alone
        return [Finding(code, severity, sure, evidence, advice)]
    if printed.state == NONE:
        if pictures.state in (SOUND, DENSE):
            return []
        return [Finding(
            "no-image", "fault", 0.9 if pictures.state else 0.7, evidence,
            "Check that the developer came first and was alive. It could also be that the edge "
            "print was missed: tell by reading it again where letters are broad.",
        )]  # fmt: skip
    if printed.state == SOUND and pictures.state == NONE:
        return [Finding(
            "unexposed", "fault", 0.9, evidence,
            "The film was developed but never exposed: check shutter, lens cap and transport.",
        )]  # fmt: skip
    return _exposure(pictures, printed.state == SOUND, evidence)


def _exposure(pictures: _Told, print_is_sound: bool, evidence: str) -> list[Finding]:
    """Return what thin or dense pictures mean with a sound edge print, or without any."""
    if pictures.state not in (THIN, DENSE, NONE):
        return []
    dense = pictures.state == DENSE
    way = "over" if dense else "under"
    change = "less" if dense else "more"
    if print_is_sound:
        return [Finding(
            f"{way}-exposed", "warning", 0.85, evidence,
            f"Give {change} exposure; the developer did its work, for the edge print is sound. "
            "It could also be a scene that is so: tell by other frames.",
        )]  # fmt: skip
    cannot = f"{evidence} Without the edge print this can't be told from {way}-"
    seen = "missing" if pictures.state == NONE else pictures.state
    tell = (
        f"Read the edge print and the base too: if the print is {seen} as well, it is development."
    )
    return [
        Finding(
            f"{way}-exposed", "warning", 0.45, f"{cannot}development.",
            f"Give {change} exposure next time, if the developer was in order. {tell}",
        ),
        Finding(
            f"{way}-developed", "warning", 0.4, f"{cannot}exposure.",
            f"Check the developer's temperature, time and age. {tell}",
        ),
    ]  # fmt: skip


def _base(film: _Film, aim: _Film, limits: SpotLimits) -> list[Finding]:
    if "base" not in film.read:
        return []
    base, has_aim = film.read["base"], "base" in aim.read
    over = base - aim.read.get("base", np.array(limits.base_highest))
    known = over[np.isfinite(over)]
    if not known.size or not (known > limits.base_over + 1e-9).all():
        return []
    against = "over the aim" if has_aim else "over the highest of ordinary film"
    return [Finding(
        "high-base", "warning", 0.85 if has_aim else 0.6,
        f"Film {film.name}: base {triple_text(base, False)}, {triple_text(over)} {against}.",
        "Look for fog (old or warm-stored film, light, a spoilt developer). It could also be "
        "silver or silver salts left: bleach and fix again in fresh baths, and read it again.",
    )]  # fmt: skip


def _state(value: float, low: float, high: float) -> str:
    return THIN if value < low - 1e-9 else DENSE if value > high + 1e-9 else SOUND
