"""What film, gate, holder and base are told to be on light drawn by hand, in tables."""

import itertools
from typing import Any

import numpy as np

from pipeline.strip.base import measure_base
from pipeline.strip.illumination import Levels
from pipeline.strip.piece import film_areas, split_abreast
from pipeline.strip.surround import surround
from tests.judged.pinned_cases import fixed_generator
from tests.strip.test_surround import DARK, LEVELS, scene

PX_PER_MM = 4.0
BASE_LIGHT = np.array(LEVELS.base_light)
# Sides of the only bare film of a strip, mm, and how uneven the light is, in density.
BARE_MM = ((1.5, 2.0), (2.2, 2.7), (2.5, 3.5), (4.0, 4.0), (2.0, 30.0))
SHADES = (0.0, 0.05, 0.2)
HOLDERS = (0.004, 0.008, 0.02, 0.05, 0.12, 0.3, 0.6, 0.75, 0.83, 0.86)
WIDTHS_PX = (19.4, 19.7, 20.5, 21.0, 40.0)


def base_figures() -> dict[str, Any]:
    """Return the base of strips with little bare film under uneven light."""
    told: dict[str, Any] = {}
    y, x = np.mgrid[-1:1:120j, -1:1:200j]
    for (high, wide), shade in itertools.product(BARE_MM, SHADES):
        name = f"{high} x {wide} {shade}"
        density = np.full((120, 200), 0.5) + fixed_generator(name).normal(0.0, 0.01, (120, 200))
        density[20 : 20 + round(high * PX_PER_MM), 40 : 40 + round(wide * PX_PER_MM)] -= 0.5
        density += shade * (0.3 * x + 0.2 * x * x + 0.3 * y)
        light = DARK + (BASE_LIGHT - DARK) * 10.0 ** -density[..., None]
        guess = LEVELS.base_light
        base = measure_base(light.astype(np.float32), LEVELS.illumination, guess, PX_PER_MM)
        told[name] = base and (base.density, base.spread, base.area_mm2, base.light, base.shading)
    return told


def surround_figures() -> dict[str, Any]:
    """Return how much of a scan is film, gate and holder, by the holder's light, and its strips."""
    told: dict[str, Any] = {}
    clipped = Levels(LEVELS.illumination, LEVELS.base_light, True)
    for grey, tint, (way, levels) in itertools.product(
        HOLDERS, (0.0, 0.03, 0.12), {"": LEVELS, "clipped": clipped}.items()
    ):
        holder = (grey, grey * (1.0 - tint), grey * (1.0 - 2.0 * tint))
        found = surround(scene(holder), levels)
        areas = film_areas(found.film, found.gate)
        told[f"{grey} {tint} {way}"] = {
            "shares": [mask.mean() for mask in (found.film, found.gate, found.holder)],
            "boxes": [area.box for area in areas],
            "abreast": [len(split_abreast(areas[0], width)) for width in WIDTHS_PX if areas],
        }
    return told
