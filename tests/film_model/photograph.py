"""A drawn scan photographed: hand-held above a light, through a lens, kept as a JPEG."""

import io
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from PIL import Image

from .assemble import ModelScan
from .icc import srgb_profile
from .picture import encode_srgb
from .spectra import Floats
from .truth import LEAST_VISIBLE_MM, PARTIAL_BELOW

_ROUNDS = 60
_S_CURVE = 0.35


@dataclass(frozen=True)
class Shot:
    """How a scan is photographed.

    `width_px` and `aspect` (height over width) are the picture's; `across` is the share of its
    width that the scan takes, `shift` how far the scan's middle lies from the picture's, as shares
    of its width. `turn_deg` is clockwise. `aslant` (x, y) is by how much the scale differs between
    the sides and between top and bottom; `corners` (4, 2) moves the picture's corners besides, as
    shares of its width. `radial` is by how much the lens draws the corner outwards (negative:
    inwards). `bow_mm` is the sagitta of film bent in its plane, `curl_mm` of film whose middle only
    lies lower. Light falls off to the corners by `fall_off` and from left to right by `one_side`.
    `gate` is the bare light's level, over 1 where it clips. `surround` beside the scan is light's
    share of the bare light. `tone` is 'srgb', 's-curve' or 'linear'.
    """

    width_px: int = 2000
    aspect: float = 0.75
    across: float = 0.9
    shift: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    aslant: tuple[float, float] = (0.0, 0.0)
    corners: tuple[tuple[float, float], ...] = ()
    radial: float = 0.0
    bow_mm: float = 0.0
    curl_mm: float = 0.0
    fall_off: float = 0.0
    one_side: float = 0.0
    blur_px: float = 0.6
    noise: float = 0.003
    gate: float = 0.9
    surround: float = 1.0
    tone: str = "srgb"
    quality: int = 90
    profile: bool = True


@dataclass(frozen=True)
class Photograph:
    """A JPEG file's bytes, and the truth with its points in the picture's pixels."""

    jpeg: bytes
    truth: dict[str, Any]


def photograph(scan: ModelScan, shot: Shot, seed: int = 0) -> Photograph:
    """Photograph a scan of 16 bits whose codes are linear; its border goes on as `surround`."""
    rng = np.random.default_rng([seed, 7])
    size = shot.width_px, round(shot.width_px * shot.aspect)
    way = partial(_to_scan, scan, shot)
    light = _seen(scan, shot, size, way)
    light = cv2.GaussianBlur(light, (0, 0), shot.blur_px) if shot.blur_px else light
    light = light * (shot.gate * _evenness(shot, size))[..., None]
    light += rng.normal(0, 1, light.shape) * shot.noise * np.sqrt(np.maximum(light, 1e-4))
    codes = np.rint(255 * _toned(np.clip(light, 0, 1), shot.tone)).astype(np.uint8)
    file = io.BytesIO()
    profile = {"icc_profile": srgb_profile()} if shot.profile and shot.tone == "srgb" else {}
    Image.fromarray(codes).save(file, "JPEG", quality=shot.quality, **profile)
    return Photograph(file.getvalue(), _truth(scan, size, way))


def _toned(light: Floats, tone: str) -> Floats:
    if tone == "linear":
        return light
    shown = encode_srgb(light)
    if tone == "s-curve":
        shown = shown + _S_CURVE * shown * (1 - shown) * (2 * shown - 1)
    return np.asarray(shown)


def _evenness(shot: Shot, size: tuple[int, int]) -> Floats:
    width, height = size
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height) * shot.aspect)
    far = (x**2 + y**2) / (1 + shot.aspect**2)
    return np.asarray((1 - shot.fall_off * far) * (1 - shot.one_side * (x + 1) / 2), np.float32)


def _seen(scan: ModelScan, shot: Shot, size: tuple[int, int], way: Any) -> Floats:
    """Return the picture's light, the bare light 1; each pixel is the mean of 2 by 2 places."""
    level = np.asarray(scan.truth["scanner"]["open_gate"])
    held = np.asarray(scan.codes, np.float32) / np.float32(65535) / level.astype(np.float32)
    held = np.pad(held, ((1, 1), (1, 1), (0, 0)), constant_values=shot.surround)
    total = np.zeros((size[1], size[0], 3), np.float32)
    for dx, dy in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):
        x, y = np.meshgrid(np.arange(size[0]) + dx, np.arange(size[1]) + dy)
        places = 1 + way(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32)
        maps = [np.ascontiguousarray(places[:, k].reshape(x.shape)) for k in (0, 1)]
        total += cv2.remap(held, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return total / 4


def _to_scan(scan: ModelScan, shot: Shot, points: Floats) -> Floats:
    """Return where points (n, 2) of the picture lie in the scan."""
    height, width = scan.codes.shape[:2]
    size = np.array([shot.width_px, round(shot.width_px * shot.aspect)], float)
    half = float(np.hypot(*size)) / 2
    away = points - (size - 1) / 2
    # The way back: what the lens drew outwards is drawn inwards.
    share = 1 - shot.radial * (away**2).sum(axis=1, keepdims=True) / half**2
    at = away * share / size[0] - shot.shift
    at = _from_corners(shot, at)
    g, h = shot.aslant
    at = at / (1 - g * at[:, :1] - h * at[:, 1:] / shot.aspect)
    turn = np.radians(shot.turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    at = at @ np.array([[cos, -sin], [sin, cos]]) / shot.across * width
    return _unbent(scan, shot, at) + (np.array([width, height]) - 1) / 2


def _from_corners(shot: Shot, at: Floats) -> Floats:
    if not shot.corners:
        return at
    x, y = 0.5, 0.5 * shot.aspect
    box = np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    moved = (box + np.array(shot.corners)).astype(np.float32)
    rows = cv2.getPerspectiveTransform(moved, box.astype(np.float32))
    return np.asarray(cv2.perspectiveTransform(at[None], rows)[0])


def _unbent(scan: ModelScan, shot: Shot, at: Floats) -> Floats:
    """Return places of film that lies along an arc, or lower in its middle, where it is level."""
    px_per_mm = scan.ppi / 25.4
    half = max(strip["length_mm"] for strip in scan.truth["strips"]) * px_per_mm / 2
    if shot.curl_mm:
        lower = shot.curl_mm * px_per_mm * np.cos(at[:, 0] / half * np.pi / 2)
        at = at - np.column_stack([np.zeros(len(at)), lower])
    if not shot.bow_mm:
        return at
    sagitta = shot.bow_mm * px_per_mm
    radius = (half**2 + sagitta**2) / (2 * sagitta)
    x, y = at[:, 0], radius - at[:, 1]
    away = np.sign(radius) * np.hypot(x, y)
    return np.column_stack([radius * np.arctan(x / y), radius - away])


def _truth(scan: ModelScan, size: tuple[int, int], way: Any) -> dict[str, Any]:
    truth = deepcopy(scan.truth)
    truth["size_px"] = list(size)
    middle = np.asarray(truth["strips"][0]["outline"]).mean(axis=0)
    beside = _back(way, np.array([middle, np.add(middle, (1.0, 0.0))]), size)
    truth["ppi"] = scan.ppi * float(np.hypot(*(beside[1] - beside[0])))
    for strip in truth["strips"]:
        strip["frames"] = [one for one in strip["frames"] if _clipped(one, way, size)]
        _place(strip, way, size)
    return truth


def _clipped(frame: dict[str, Any], way: Any, size: tuple[int, int]) -> bool:
    """End a frame where the picture's border crosses its middle line; tell whether any is left."""
    corners = np.asarray(frame["outline"], float)
    start, end = corners[[0, 3]], corners[[1, 2]]
    shares = np.linspace(0, 1, 401)
    line = start.mean(axis=0) + shares[:, None] * (end - start).mean(axis=0)
    at = _back(way, line, size)
    inside = shares[((at > -0.5) & (at < np.array(size) - 0.5)).all(axis=1)]
    if not len(inside) or np.ptp(inside) * float(np.ptp(frame["u_mm"])) < LEAST_VISIBLE_MM:
        return False
    if len(inside) < len(shares):
        left, right = (start + share * (end - start) for share in (inside.min(), inside.max()))
        frame["outline"] = [left[0], right[0], right[1], left[1]]
        frame.pop("patches", None)
        if np.ptp(inside) < PARTIAL_BELOW:
            frame["kind"] = "partial"
    return True


def _place(node: Any, way: Any, size: tuple[int, int]) -> None:
    for key, value in list(node.items()):
        if key in ("outline", "corners", "perforations"):
            node[key] = _back(way, np.asarray(value, float), size).tolist()
        elif key == "centre":
            node[key] = _back(way, np.asarray([value], float), size)[0].tolist()
        elif isinstance(value, list):
            for item in value:
                if isinstance(item, dict):
                    _place(item, way, size)


def _back(way: Any, points: Floats, size: tuple[int, int]) -> Floats:
    """Return where the picture shows places of the scan (Newton's method, numeric slopes)."""
    if not len(points):
        return points
    at = np.tile((np.array(size, float) - 1) / 2, (len(points), 1))
    for _ in range(_ROUNDS):
        here = way(at)
        right, down = (way(at + step) - here for step in ((0.5, 0.0), (0.0, 0.5)))
        slopes = np.stack([right, down], axis=2) / 0.5
        step = np.linalg.solve(slopes, (points - here)[..., None])[..., 0]
        at = at + step
        if np.abs(step).max() < 1e-6:
            break
    return at
