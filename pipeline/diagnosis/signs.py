"""Signs of a roll: the few figures of its densities by which faults are told apart."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from pipeline.kinds import CHANNELS, HOLDS_PICTURE, Float64, Floats, Mask, Matrix, Triple, as_triple

# Keeps the logarithm of next to nothing finite, in density.
LEAST = 0.01
_DENSE_SHARE = 90
_BLOCKS, _RIM_SHARE = 400, 0.03
# Beyond these, base included, scanners see their own stray light as much as the film: colours are
# no more told, and then nothing is. What the base of colour negative film usually has stands in
# where it isn't known absolutely.
_MOST_COLOURED, _MOST_DENSITY = 2.5, 3.2
_LEAST_BLOCKS = 0.1
# Of four hundred pictures. More tell no more of how a roll's colours spread, and take memory.
_MOST_BLOCKS = 400 * _BLOCKS
_USUAL_BASE = (0.21, 0.63, 0.88)
_RANGE = ("min", "median", "max")
# Neither a density nor the logarithm of one comes near this.
_MOST_VALUE = 100.0

SIGNS = (
    *(f"median_{channel}" for channel in CHANNELS),
    *(f"highlights_{channel}" for channel in CHANNELS),
    *(f"shadows_{channel}" for channel in CHANNELS),
    "densest_pictures",
    "frame_red_green",
    "frame_blue_green",
    "frame_neutral",
    "roll_red_green",
    "roll_blue_green",
    "roll_neutral",
    *(f"edge_print_{channel}" for channel in CHANNELS),
    *(f"base_{channel}" for channel in CHANNELS),
    *(f"densest_{channel}" for channel in CHANNELS),
)
"""Names of the signs, in order. Medians are those of the pictures, highlights and shadows how far
their 99th and 1st percentiles lie from them, `densest_pictures` how dense the densest tenth of them
becomes, the next six how far layers and their mean spread within frames and over the roll;
edge print and densest parts (light-struck film) are above base, the base absolute. All but the
base are natural logarithms."""


@dataclass(frozen=True)
class RollSigns:
    """Values of `SIGNS`, not a number where the roll doesn't show one; `frames` is their count."""

    values: tuple[float, ...]
    frames: int

    def known(self) -> Mask:
        """Return which signs the roll shows, shape (n,)."""
        shown: Mask = np.isfinite(np.array(self.values))
        return shown


@dataclass(frozen=True)
class PatchDensities:
    """What a roll shows beside its pictures: densities per channel, None where out of view.

    `edge_print` and `densest` (light-struck film) are above base, `base` is absolute.
    """

    edge_print: Triple | None = None
    base: Triple | None = None
    densest: Triple | None = None


def picture_blocks(picture: Floats) -> Floats:
    """Return mean densities (n, 3) of some 400 even blocks of a picture (h, w, 3).

    Grain, noise and a scan's resolution count for little in them, unlike in single pixels; the
    rim is left out, where a gate's shadow lies.
    """
    rows, columns = picture.shape[:2]
    rim = round(_RIM_SHARE * min(rows, columns))
    inner = np.asarray(picture[rim : rows - rim, rim : columns - rim], np.float32)
    side = max(1.0, math.sqrt(inner.shape[0] * inner.shape[1] / _BLOCKS))
    size = (max(1, round(inner.shape[1] / side)), max(1, round(inner.shape[0] / side)))
    blocks = np.asarray(cv2.resize(inner, size, interpolation=cv2.INTER_AREA), np.float32)
    return blocks.reshape(-1, 3)


def signs_of_samples(
    frames: Iterable[Floats], unmask: Matrix, patches: PatchDensities
) -> RollSigns:
    """Return the signs of a roll from blocks of density above base, (n, 3) for each picture.

    `unmask` takes densities to layers, whose spread about neutral is the saturation; blocks too
    dense for a scanner to see their colour are left out of it. Over very many pictures it is that
    of some blocks of each, thinned out evenly.
    """
    most_dense = _above_base(_MOST_DENSITY, patches)
    most_coloured = _above_base(_MOST_COLOURED, patches)
    shares, within, kept = [], [], []
    step, held = 1, 0
    for frame in frames:
        if not len(frame):
            continue
        usable = np.minimum(np.asarray(frame, float), most_dense)
        shares.append([np.percentile(usable, share, axis=0) for share in (1.0, 50.0, 99.0)])
        seen = usable[(usable < most_coloured).all(axis=1)]
        if len(seen) > _LEAST_BLOCKS * len(usable):
            layers = seen @ np.asarray(unmask).T
            within.append(_spreads(layers))
            kept.append(layers[::step].copy())
            held += len(kept[-1])
        if held > _MOST_BLOCKS:
            step, kept = 2 * step, [each[::2].copy() for each in kept]
            held = sum(map(len, kept))
    ranges = np.array(shares).reshape(-1, 3, 3).transpose(1, 0, 2)
    least, median, most = np.ascontiguousarray(ranges)
    over = _spreads(np.concatenate(kept)) if kept else np.full(3, np.nan)
    saturation = [*_mean(np.array(within).reshape(-1, 3)), *over]
    return _assembled(least, median, most, np.array(saturation), patches)


def signs_of_ranges(
    least: Floats, median: Floats, most: Floats, patches: PatchDensities
) -> RollSigns:
    """Return the signs that ranges of density tell, (n, 3) each: all but the saturation."""
    limit = _above_base(_MOST_DENSITY, patches)
    least, median, most = (
        np.minimum(np.asarray(values, float).reshape(-1, 3), limit)
        for values in (least, median, most)
    )
    return _assembled(least, median, most, np.full(6, np.nan), patches)


def _above_base(density: float, patches: PatchDensities) -> Floats:
    return density - np.asarray(_USUAL_BASE if patches.base is None else patches.base)


def _spreads(layers: Floats) -> Floats:
    """Return standard deviations of red less green, blue less green, and of their mean."""
    red, green, blue = layers.T
    return np.array([np.std(red - green), np.std(blue - green), np.std(layers.mean(axis=1))])


def _mean(rows: Floats) -> Floats:
    return rows.mean(axis=0) if len(rows) else np.full(rows.shape[1], np.nan)


def _assembled(
    least: Floats, median: Floats, most: Floats, saturation: Floats, patches: PatchDensities
) -> RollSigns:
    dense = np.percentile(most[:, 1], _DENSE_SHARE) if len(most) else math.nan
    of_pictures = [*_mean(median), *_mean(most - median), *_mean(median - least), dense]
    values = [
        *_logs([*of_pictures, *saturation, *_triple(patches.edge_print)]),
        *_triple(patches.base),
        *_logs(_triple(patches.densest)),
    ]
    return RollSigns(tuple(float(value) for value in values), len(median))


def _logs(densities: Sequence[float]) -> Floats:
    logs: Floats = np.log(np.maximum(np.array(densities, float), 0.0) + LEAST)
    return logs


def _triple(values: Triple | None) -> Triple:
    return (math.nan, math.nan, math.nan) if values is None else values


def told_signs(signs: RollSigns) -> dict[str, float]:
    """Return the signs that a roll shows, by name, with the count of its pictures as `pictures`."""
    shown = {
        name: value for name, value in zip(SIGNS, signs.values, strict=True) if math.isfinite(value)
    }
    return {"pictures": float(signs.frames), **shown}


def signs_of_document(document: Mapping[str, Any]) -> RollSigns:
    """Return the signs of a roll from the document of its roll.json.

    Those it was written with if there are any, else what ranges of density, base and edge print
    tell: all but the saturation.

    Raises
    ------
    ValueError
        If what is there is no number, or none that a density can be.
    """
    try:
        densities = document.get("densities") or {}
        told = densities.get("signs")
        if told:
            signs = [float(told.get(name, math.nan)) for name in SIGNS]
            values = tuple(_possible(np.array(signs)).tolist())
            return RollSigns(values, int(told.get("pictures", 0)))
        strips = document.get("strips") or []
        frames = [
            frame["density"]
            for strip in strips
            for frame in strip["frames"]
            if frame["kind"] in HOLDS_PICTURE
        ]
        least, median, most = (
            _possible(np.array([frame[name] for frame in frames], float)) for name in _RANGE
        )
        absolute = bool(strips) and all(strip["base"]["absolute"] for strip in strips)
        base = densities.get("base") if absolute else None
        patches = PatchDensities(
            _numbers(densities.get("edge_print")),
            _numbers(base),
            _numbers((densities.get("dmax") or {}).get("density")),
        )
        return signs_of_ranges(least, median, most, patches)
    except (TypeError, KeyError, AttributeError, OverflowError) as error:
        raise ValueError(f"no densities as roll.json has them ({error})") from error


def _numbers(values: Any) -> Triple | None:
    return None if values is None else as_triple(_possible(np.array(values, float)))


def _possible(values: Float64) -> Float64:
    """Return densities or their logarithms, or raise if any is beyond all that can be."""
    if (np.abs(values) > _MOST_VALUE).any():
        raise ValueError(f"densities beyond {_MOST_VALUE:g}")
    return values
