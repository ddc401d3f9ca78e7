"""Cuts the borders off a scan, its truth with it, as a scanner's crop does."""

from copy import deepcopy
from dataclasses import replace
from typing import Any

import numpy as np

from .assemble import ModelScan
from .geometry import span_inside
from .spectra import Floats
from .truth import LEAST_VISIBLE_MM, PARTIAL_BELOW

Truth = dict[str, Any]


def crop_scan(scan: ModelScan, left: int, top: int, right: int, bottom: int) -> ModelScan:
    """Return the scan without so many pixels at each side; points of the truth move along.

    A strip's outline may then reach beyond the scan. A frame's outline ends where the scan's
    border crosses the middle of the film; a frame cut so is 'partial', one out of view is dropped,
    and its chart patches are.
    """
    height, width = scan.codes.shape[:2]
    part = slice(top, height - bottom), slice(left, width - right)
    codes = np.ascontiguousarray(scan.codes[part])
    infrared = None if scan.infrared is None else np.ascontiguousarray(scan.infrared[part])
    truth = deepcopy(scan.truth)
    truth["size_px"] = [codes.shape[1], codes.shape[0]]
    for strip in truth["strips"]:
        _move(strip, np.array([left, top]))
        _clip_frames(strip, truth["size_px"])
        _clip_edges(strip, truth["size_px"])
    return replace(scan, codes=codes, truth=truth, infrared=infrared)


def _move(node: Any, by: Floats) -> None:
    """Shift all points below a node of the truth."""
    if isinstance(node, list):
        for item in node:
            _move(item, by)
        return
    if not isinstance(node, dict):
        return
    for key, value in node.items():
        if key in ("outline", "corners", "perforations"):
            node[key] = [[round(float(c), 3) for c in np.subtract(p, by)] for p in value]
        elif key == "centre":
            node[key] = [round(float(c), 3) for c in np.subtract(value, by)]
        else:
            _move(value, by)


def _clip_frames(strip: Truth, size_px: list[int]) -> None:
    """End frames where the scan ends."""
    low, high = _seen_mm(strip, size_px)
    kept = []
    for frame in strip["frames"]:
        u0, u1 = frame["u_mm"]
        left, right = max(u0, low), min(u1, high)
        if right - left <= LEAST_VISIBLE_MM:
            continue
        if (left, right) != (u0, u1):
            corners = np.array(frame["outline"])
            along = (corners[[1, 2]] - corners[[0, 3]]) / (u1 - u0)
            starts = corners[[0, 3]]
            cut = [
                starts[0] + along[0] * (left - u0),
                starts[0] + along[0] * (right - u0),
                starts[1] + along[1] * (right - u0),
                starts[1] + along[1] * (left - u0),
            ]
            frame["outline"] = [[round(float(c), 3) for c in point] for point in cut]
            frame["u_mm"] = [round(left, 4), round(right, 4)]
            frame.pop("patches", None)
            if right - left < PARTIAL_BELOW * (u1 - u0):
                frame["kind"] = "partial"
        kept.append(frame)
    strip["frames"] = kept


def _clip_edges(strip: Truth, size_px: list[int]) -> None:
    """End the parts of the film's edges in view where the scan ends."""
    edges = strip["edges_in_view_mm"]
    for name, across in (("top", 0.0), ("bottom", 1.0)):
        if edges[name] is None:
            continue
        low, high = _seen_mm(strip, size_px, across)
        first, last = max(edges[name][0], low), min(edges[name][1], high)
        edges[name] = [round(first, 3), round(last, 3)] if first < last else None


def _seen_mm(strip: Truth, size_px: list[int], across: float = 0.5) -> tuple[float, float]:
    """Return from where to where a line along a strip lies in the scan; (0, 0) if nowhere.

    across is the line's place between the strip's top edge (0) and bottom edge (1).
    """
    corners = np.array(strip["outline"])
    start = corners[0] + (corners[3] - corners[0]) * across
    end = corners[1] + (corners[2] - corners[1]) * across
    low, high = np.array([-0.5, -0.5]), np.array(size_px) - 0.5
    inside = span_inside(start, end, low, high) or (0.0, 0.0)
    return inside[0] * strip["length_mm"], inside[1] * strip["length_mm"]
