"""Strips of film, their light and their base.

In: the small picture's light (h, w, 3). Out: open gate and dark level (light), strips (outline in
proxy pixels, pixels per mm), film base (light and density), density above base, light leaks.

The open gate is even but for the lamp, and nothing is brighter: a smooth map of the lamp runs
through its areas (lamp), and a strip's densities are against the gate as that has it there.

Before a window or a room there is no such map: film, orange as it is, stands out by its colour, and
what is around it is carried on behind it and taken out (backdrop).

The base is the densest crowd of readings in rebate and gaps, measured with the lamp's shading as a
smooth surface, so that density above base is even over the strip. Of crowds that are apart it is
the lightest that runs along a rebate or across the film (`lightest`): others are even backdrops.

Film is laid level by its edges, perforations and pictures' borders (`level`): turned, and where
they show that it isn't straight, by a homography, a lens and a bow (`bend`, `view`).

The door is wide because every later room measures above the base.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
