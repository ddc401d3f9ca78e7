"""What the pages of one file show, whatever its camera."""

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.frame import shows_gap
from pipeline.kinds import MM_PER_INCH, Float32, Triple, as_triple
from pipeline.problem import ScanProblem
from pipeline.profile import film_sizes, find_scanner
from pipeline.scan import Proxy, Scan, open_scan, reduce
from pipeline.settings import Settings
from pipeline.strip import (
    Illumination,
    Lamp,
    Levels,
    dark_level,
    density_above,
    find_backdrop,
    find_levels,
    find_strips,
    least_orange,
    to_light,
)
from pipeline.survey.clear_film import ClearFilm
from pipeline.survey.look import StripLook, look_at
from pipeline.survey.look_store import ScanLook
from pipeline.survey.single_frame import is_single, lightest_place, look_at_single
from pipeline.survey.windows import windows

_PROXY_PPI = 200.0
_UNKNOWN_LONG_SIDE = 2600
# Twice what the largest flatbed holds at the proxy's resolution.
_MOST_PROXY_PIXELS = 10_000_000


def look_at_scan(path: Path, settings: Settings, clear: ClearFilm | None) -> ScanLook:
    """Return what the pages of a file show of colour film, or else of film with a grey base.

    `clear` is the light of clear film over a file of one picture.

    Raises
    ------
    ScanProblem
        If it can't be read, or is dark all over.
    """
    # Some black-and-white film is developed as colour film is, and has its orange base.
    ways = {None: (False, True), False: (False,), True: (True, False)}[settings.monochrome]
    base = settings.base
    if base is not None and settings.monochrome is None and base[2] - base[0] < least_orange():
        # Sought as orange, a base that is given as greyer would be taken for the open gate.
        ways = (True, False)
    looks = [ScanLook(path, (), False, (), grey) for grey in ways]
    for scan in open_scan(path, gamma=settings.scan_gamma, ppi=settings.ppi):
        proxy = reduce(scan, _factor(scan))
        # For its frames, so that none of them reads lines all over it.
        scan = replace(scan, dark=proxy.dark)
        before = looks
        looks = _with_strips(scan, proxy, settings, looks)
        found = _added(looks, before)
        if not any(_shows_all(strip) for strip, _ in found):
            looks = before_backdrop(scan, proxy, settings, before) or looks
            found = _added(looks, before)
        # Where perforations show, the rebate beside them tells more than a picture of clear film.
        perforated = any(strip.strip.perforated for strip, _ in found)
        if clear is not None and not perforated:
            single = _single(scan, proxy, settings, clear)
            if single is not None:
                return single
        if clear is not None and clear.whole and not perforated:
            under = _under_clear_film(scan, proxy, settings, before[0], clear)
            if under is not before[0] and (not found or _has_bars(under)):
                looks = [under, *looks[1:]]
                continue
        if not is_single(scan) or any(_is_certain(*strip) for strip in found):
            continue
        lit = any(_shows_edge(*strip) for strip in found)
        single = _single(scan, proxy, settings, None, lit) if clear is None else None
        if single is not None and (not lit or _is_whole(single)):
            return single
        if lit:
            continue
        # What else a file of one picture shows is part of the picture.
        lightest = lightest_place(proxy.light)
        looks = [replace(look, maybe_single=True, lightest=lightest) for look in before]
    return next((look for look in looks if look.strips), looks[-1])


def _added(looks: list[ScanLook], before: list[ScanLook]) -> list[tuple[StripLook, bool]]:
    """Return the strips that looks have more than before, and whether their page is clipped."""
    return [
        (strip, look.clipped)
        for look, was in zip(looks, before, strict=True)
        for strip in look.strips[len(was.strips) :]
    ]


def _with_strips(
    scan: Scan, proxy: Proxy, settings: Settings, looks: list[ScanLook]
) -> list[ScanLook]:
    """Return looks with the strips of one more page."""
    looks = list(looks)
    for way, look in enumerate(looks):
        levels = _levels(scan, proxy, settings, look.grey)
        if levels is None:
            if is_single(scan):
                continue
            raise ScanProblem(scan.path, "is dark all over", "scan again with more light")
        looks[way] = replace(
            look,
            strips=(*look.strips, *innermost(tuple(_looks(scan, proxy, levels, settings)))),
            clipped=look.clipped or levels.gate_clipped,
            notes=tuple(dict.fromkeys((*look.notes, *scan.notes))),
        )
        if looks[way].strips:
            break
    return looks


def before_backdrop(
    scan: Scan, proxy: Proxy, settings: Settings, looks: list[ScanLook]
) -> list[ScanLook] | None:
    """Return looks with the strips of a page that shows film before a window or a room.

    None where it shows no film, with its edges and perforations, before anything else.
    """
    backdrop = None if looks[0].grey else find_backdrop(proxy.light)
    if backdrop is None:
        return None
    even = replace(proxy, light=backdrop.evened(proxy.light))
    found = _with_strips(scan, even, settings, looks[:1])
    strips = found[0].strips[len(looks[0].strips) :]
    if not any(map(_shows_all, strips)):
        return None
    over = backdrop.over((proxy.light.shape[0], proxy.light.shape[1]))
    strips = tuple(replace(each, behind=each.strip.view(over).light) for each in strips)
    strips = (*looks[0].strips, *strips)
    return [replace(found[0], strips=strips), *looks[1:]]


def innermost(strips: tuple[StripLook, ...]) -> tuple[StripLook, ...]:
    """Return the strips of a page without those that are the surround of another one.

    Film lies in no film: where a lamp's rim goes for film, what it surrounds is the strip.
    """
    places = [np.asarray(each.strip.outline, np.float32) for each in strips]
    film = [place for place, each in zip(places, strips, strict=True) if each.strip.perforated]
    return tuple(
        each
        for each, place in zip(strips, places, strict=True)
        if not any(_lies_inside(inner, place) for inner in film)
    )


def _lies_inside(inner: Float32, outer: Float32) -> bool:
    """Tell whether all corners (4, 2) of one outline lie inside another."""
    return all(cv2.pointPolygonTest(outer, (float(x), float(y)), False) > 0 for x, y in inner)


def _under_clear_film(
    scan: Scan, proxy: Proxy, settings: Settings, look: ScanLook, clear: ClearFilm
) -> ScanLook:
    """Return a look with the strips that one more page shows over the base of a base scan.

    Where the page has the base scan's size, the light is as uneven.
    """
    placed, told = clear.under(scan)
    size = (proxy.light.shape[0], proxy.light.shape[1])
    alike = clear.size == (scan.width, scan.height)
    terms = np.asarray(placed.terms)
    levels = Levels(
        Illumination(dark_level(proxy.light), None),
        as_triple(10.0 ** (terms[:, 0] if alike else placed.level())),
        False,
        lamp=Lamp.of_surface(terms, size) if alike else Lamp(),
        given_spread=placed.spread,
    )
    strips = tuple(_looks(scan, proxy, levels, settings))
    if not strips:
        return look
    notes = (*look.notes, *scan.notes, *(() if told is None else (told,)))
    return replace(look, strips=(*look.strips, *strips), notes=tuple(dict.fromkeys(notes)))


def _single(
    scan: Scan,
    proxy: Proxy,
    settings: Settings,
    clear: ClearFilm | None,
    shows_end: bool = False,
) -> ScanLook | None:
    """Return the look at a page that shows one picture, None if it doesn't."""
    if not is_single(scan):
        return None
    dark: Triple = (0.0, 0.0, 0.0)
    if settings.scanner_profile is not None:
        scanner = find_scanner(settings.scanner_profile)
        dark = scanner.dark_level(proxy.light.mean(axis=(0, 1)))
    single = look_at_single(scan, proxy, dark, clear, settings, shows_end)
    return None if single is None else ScanLook(scan.path, (), False, scan.notes, False, single)


def _has_bars(look: ScanLook) -> bool:
    """Tell whether opaque bars part the pictures of strips, so that no gap between them shows."""
    return any(len(windows(density_above(each.view.light, each.rough))) > 1 for each in look.strips)


def _shows_all(look: StripLook) -> bool:
    """Tell whether a strip shows its perforations and both of its edges."""
    return look.strip.perforated and all(look.strip.edges_seen)


def _is_certain(look: StripLook, clipped: bool) -> bool:
    """Tell whether a strip is one for certain, not one picture with its rebate.

    Its perforations show, a gap, both edges, or all of its width, which is a film's by the file's
    resolution. `clipped` tells that the open gate is.
    """
    strip = look.strip
    if strip.perforated or shows_gap(look.seen):
        return True
    if strip.whole_width and strip.scale_from in ("tag", "option"):
        return True
    return all(strip.edges_seen) and _shows_edge(look, clipped)


def _shows_edge(look: StripLook, clipped: bool) -> bool:
    """Tell whether a strip's edge shows against the open gate; `clipped` tells that the gate is.

    Light as orange as a film's base is no open gate, but the rebate beside a picture.
    """
    gate = look.rough.illumination.gate
    is_rebate = gate is not None and np.log10(gate[0] / max(gate[2], 1e-6)) > least_orange()
    return any(look.strip.edges_seen) and (clipped or (gate is not None and not is_rebate))


def _is_whole(look: ScanLook) -> bool:
    """Tell whether one picture shows with all four sides of its gate."""
    return look.single is not None and all(look.single.seen.sides_seen)


def _factor(scan: Scan) -> int:
    # A picture made smaller often keeps its tag, by which it would show no film's width.
    narrowest_mm = min(film.least_visible_mm for film in film_sizes().values())
    if scan.ppi and min(scan.width, scan.height) / scan.ppi * MM_PER_INCH >= narrowest_mm:
        wanted = int(scan.ppi / _PROXY_PPI + 0.25)
    else:
        wanted = -(-max(scan.width, scan.height) // _UNKNOWN_LONG_SIDE)
    # A photograph's resolution tag means nothing, and may ask for all of its pixels.
    return max(1, wanted, math.ceil(math.sqrt(scan.width * scan.height / _MOST_PROXY_PIXELS)))


def _levels(scan: Scan, proxy: Proxy, settings: Settings, grey: bool) -> Levels | None:
    unseen = None
    if settings.scanner_profile is not None:
        scanner = find_scanner(settings.scanner_profile)
        unseen = scanner.dark_level(proxy.light.mean(axis=(0, 1)))
    levels = find_levels(proxy.light, proxy.clipped_mask, unseen, grey)
    if levels is None:
        return None
    if settings.base is None:
        return levels
    light = to_light(np.asarray(settings.base), levels.illumination)
    return replace(levels, base_light=as_triple(light))


def _looks(scan: Scan, proxy: Proxy, levels: Levels, settings: Settings) -> Iterator[StripLook]:
    """Yield what each strip of negative film in a scan shows."""
    px_per_mm = scan.ppi / MM_PER_INCH / proxy.factor if scan.ppi else None
    even = levels.evened(proxy.light)
    for strip in find_strips(even, levels, px_per_mm, scan.ppi_from or "tag"):
        look = look_at(scan, proxy, levels, strip, settings)
        if look is not None:
            yield look
