"""Findings out of spot readings: base, edge print, grey card and picture of a film."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.control.finding import finding_of, triple_text
from pipeline.control.limits import SpotLimits, control_limits
from pipeline.control.readings import Spot
from pipeline.kinds import Float64
from pipeline.record import Finding
from pipeline.words import percent

THIN, SOUND, DENSE, NONE = "thin", "sound", "dense", "none"


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
    both = printed.state == SOUND and pictures.state is not None
    return [finding_of("sound", f"Film {film.name}: {told}.", both)]


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
        words += f", {percent(share)} of the aim's"
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
    if printed.state in (THIN, DENSE):
        same = pictures.state == printed.state
        return [finding_of(f"{printed.state}-print", evidence, same)]
    if printed.state == NONE:
        if pictures.state in (SOUND, DENSE):
            return []
        return [finding_of("no-print", evidence, pictures.state is not None)]
    if printed.state == SOUND and pictures.state == NONE:
        return [finding_of("print-alone", evidence)]
    return _exposure(pictures, printed.state == SOUND, evidence)


def _exposure(pictures: _Told, print_is_sound: bool, evidence: str) -> list[Finding]:
    """Return what thin or dense pictures mean with a sound edge print, or without any."""
    if pictures.state not in (THIN, DENSE, NONE):
        return []
    way, change = ("over", "less") if pictures.state == DENSE else ("under", "more")
    seen = "missing" if pictures.state == NONE else pictures.state
    words = {"way": way, "change": change, "seen": seen}
    if print_is_sound:
        return [finding_of("exposure", evidence, words=words)]
    cannot = f"{evidence} Without the edge print this can't be told from {way}-"
    return [
        finding_of("exposure-alone", f"{cannot}development.", words=words),
        finding_of("development-alone", f"{cannot}exposure.", words=words),
    ]


def _base(film: _Film, aim: _Film, limits: SpotLimits) -> list[Finding]:
    if "base" not in film.read:
        return []
    base, has_aim = film.read["base"], "base" in aim.read
    over = base - aim.read.get("base", np.array(limits.base_highest))
    known = over[np.isfinite(over)]
    if not known.size or not (known > limits.base_over + 1e-9).all():
        return []
    against = "over the aim" if has_aim else "over the highest of ordinary film"
    figures = f"base {triple_text(base, False)}, {triple_text(over)} {against}"
    return [finding_of("base", f"Film {film.name}: {figures}.", has_aim)]


def _state(value: float, low: float, high: float) -> str:
    return THIN if value < low - 1e-9 else DENSE if value > high + 1e-9 else SOUND
