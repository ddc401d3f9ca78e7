"""Findings out of spot readings: base, edge print, grey card and picture of a film."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.control_finding import triple_text
from pipeline.control_limits import SpotLimits, control_limits
from pipeline.kinds import Float64, Triple
from pipeline.readings import Spot
from pipeline.record import Finding

THIN, SOUND, DENSE, NONE = "thin", "sound", "dense", "none"


@dataclass(frozen=True)
class _Film:
    """The spots of one film: densities (3,), None where not read."""

    name: str
    base: Float64 | None
    edge_print: Float64 | None
    grey: Float64 | None
    picture: Float64 | None


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
    def of(place: str) -> Float64 | None:
        read = [spot.density for spot in spots if spot.place == place]
        return np.array(read[0]) if read else None

    return _Film(name, of("base"), of("edge-print"), of("grey"), of("picture"))


def _of_film(film: _Film, aim: _Film, limits: SpotLimits) -> list[Finding]:
    printed = _edge_print(film, aim, limits)
    pictures = _pictures(film, aim, limits)
    findings = [*_base(film, aim, limits), *_development(film.name, printed, pictures)]
    if findings or (printed.state is None and pictures.state is None and film.base is None):
        return findings
    told = "; ".join(each.words for each in (printed, pictures) if each.words)
    if film.base is not None:
        told = f"base {_text(film.base)}" + (f"; {told}" if told else "")
    sure = 0.85 if SOUND in (printed.state,) and pictures.state is not None else 0.6
    return [Finding("normal", "note", sure, f"Film {film.name}: {told}.", "Nothing to do.")]


def _edge_print(film: _Film, aim: _Film, limits: SpotLimits) -> _Told:
    above = _above(film.edge_print, film.base)
    if above is None:
        without = "no edge print read" if film.edge_print is None else "edge print without a base"
        return _Told(None, without)
    mean = _mean(above)
    words = f"edge print {_text(above)} above base"
    usual = _above(aim.edge_print, aim.base)
    if mean <= limits.edge_print_none:
        return _Told(NONE, words)
    if usual is not None and _mean(usual) > limits.edge_print_none:
        share = mean / _mean(usual)
        words += f", {100 * share:.0f} % of the aim's"
        return _Told(_state(share, limits.edge_share_weak, limits.edge_share_strong), words)
    return _Told(_state(mean, limits.edge_print_weak, limits.edge_print_strong), words)


def _pictures(film: _Film, aim: _Film, limits: SpotLimits) -> _Told:
    """Return what the grey card says, else the picture; a card says it in stops."""
    if film.grey is not None and math.isfinite(film.grey[0]):
        low, high = limits.grey_card_red
        if aim.grey is not None and math.isfinite(aim.grey[0]):
            low, high = aim.grey[0] - 0.10, aim.grey[0] + 0.10
        red = float(film.grey[0])
        off = max(low - red, 0.0) or min(high - red, 0.0)
        words = f"grey card {red:.2f} in red, {low:.2f} to {high:.2f} expected"
        if off:
            way = "less" if off > 0 else "more"
            words += f" (about {abs(off) / limits.density_a_stop:.1f} stops {way})"
        return _Told(_state(red, low, high), words)
    above = _above(film.picture, film.base)
    if above is None:
        return _Told(None, "")
    mean = _mean(above)
    words = f"picture {_text(above)} above base"
    if mean <= limits.picture_none:
        return _Told(NONE, words)
    return _Told(_state(mean, limits.picture_thin, limits.picture_dense), words)


def _development(name: str, printed: _Told, pictures: _Told) -> list[Finding]:
    told = "; ".join(each.words for each in (printed, pictures) if each.words)
    evidence = f"Film {name}: {told}."
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
    if printed.state == THIN:
        return [Finding(
            "under-developed", "fault", 0.85 if pictures.state == THIN else 0.75, evidence,
            "Check the developer's temperature, time and age. It could also be a film whose edge "
            "print is weak by nature, or very old film: tell by a fresh film of the same kind.",
        )]  # fmt: skip
    if printed.state == DENSE:
        return [Finding(
            "over-developed", "warning", 0.75 if pictures.state == DENSE else 0.6, evidence,
            "Check the developer's temperature and time. It could also be film with a dense edge "
            "print by nature: tell by a film of the same kind from a process in control.",
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
    cannot = f"{evidence} Without the edge print this can't be told from {{}}."
    tell = "Read the edge print and the base too: if the print is {} as well, it is development."
    return [
        Finding(
            f"{way}-exposed", "warning", 0.45, cannot.format(f"{way}-development"),
            f"Give {change} exposure next time, if the developer was in order. "
            + tell.format(pictures.state if pictures.state != NONE else "missing"),
        ),
        Finding(
            f"{way}-developed", "warning", 0.4, cannot.format(f"{way}-exposure"),
            "Check the developer's temperature, time and age. "
            + tell.format(pictures.state if pictures.state != NONE else "missing"),
        ),
    ]  # fmt: skip


def _base(film: _Film, aim: _Film, limits: SpotLimits) -> list[Finding]:
    if film.base is None:
        return []
    usual = np.array(limits.base_highest) if aim.base is None else aim.base
    over = film.base - usual
    known = over[np.isfinite(over)]
    if not known.size or not (known > limits.base_over + 1e-9).all():
        return []
    against = "over the highest of ordinary film" if aim.base is None else "over the aim"
    return [Finding(
        "high-base", "warning", 0.6 if aim.base is None else 0.85,
        f"Film {film.name}: base {_text(film.base)}, {_text(over, signed=True)} {against}.",
        "Look for fog (old or warm-stored film, light, a spoilt developer). It could also be "
        "silver or silver salts left: bleach and fix again in fresh baths, and read it again.",
    )]  # fmt: skip


def _above(density: Float64 | None, base: Float64 | None) -> Float64 | None:
    if density is None or base is None or not np.isfinite(density - base).any():
        return None
    return density - base


def _mean(values: Float64) -> float:
    return float(np.nanmean(values))


def _state(value: float, low: float, high: float) -> str:
    return THIN if value < low - 1e-9 else DENSE if value > high + 1e-9 else SOUND


def _text(values: Float64, signed: bool = False) -> str:
    triple: Triple = (float(values[0]), float(values[1]), float(values[2]))
    return triple_text(triple, signed)
