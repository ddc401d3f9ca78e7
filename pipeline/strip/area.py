"""Even areas of a scan: open gate, base, plain parts of pictures, each the light of one thing."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import channel_mean, greatest, median
from pipeline.kinds import SIGMA_OF_MAD, Float64, Floats, Int32, Light, Mask

# What an even area may vary by over a few pixels, besides noise, in log10 light.
_EVEN = 0.02
_EVEN_OF_NOISE = 4.0
_REACH_PX = 2
_LEAST_AREA_PX = 8
_MOST_AREAS = 400
_MOST_PIXELS = 600

Group = NDArray[np.intp]
"""Places (n) of areas that are one thing."""


def map_terms(x: Floats, y: Floats, shape: tuple[int, int]) -> Float64:
    """Return the terms (n, 7) of a smooth map at places (n) in pixels of a scan (h, w).

    They are 1, x, y, r^2, r^4, xy, x^2 - y^2, where r^2 = x^2 + y^2, x and y from the scan's
    middle in halves of its diagonal.
    """
    half = np.hypot(*shape) / 2
    across = (np.asarray(x, float) - (shape[1] - 1) / 2) / half
    down = (np.asarray(y, float) - (shape[0] - 1) / 2) / half
    a, d = across**2, down**2
    terms = np.empty((*across.shape, 7))
    columns = (1.0, across, down, a + d, (a + d) ** 2, across * down, a - d)
    for place, column in enumerate(columns):
        terms[..., place] = column
    return terms


@dataclass(frozen=True)
class Moments:
    """Means over readings of a map's terms (7), log10 light (3), and products of both."""

    terms: Float64
    light: Float64
    squared: Float64
    crossed: Float64


@dataclass(frozen=True)
class Pixels:
    """Some pixels of every area, those of the first area first.

    `starts` (areas + 1) tells where each area's begin; x, y (n); `log_light` (n, 3).
    """

    starts: NDArray[np.intp]
    x: Float64
    y: Float64
    log_light: Float64

    def of(self, area: int) -> slice:
        """Return which of them are an area's."""
        return slice(int(self.starts[area]), int(self.starts[area + 1]))

    def mean(self, values: Floats) -> Float64:
        """Return the mean (areas, ...) of values (n, ...) over each area."""
        counts = np.diff(self.starts).reshape(-1, *(1,) * (values.ndim - 1))
        mean: Float64 = np.add.reduceat(values, self.starts[:-1], axis=0) / counts
        return mean


@dataclass(frozen=True)
class Areas:
    """The even areas of a scan (h, w), brightest first.

    `size` (n) in pixels, `at_border` (n) whether they reach the scan's border, `box` (n, 4) their
    first and last x and y; some `pixels` of all of each and of its `rim`; `moments` (n, ...) are
    those of its pixels.
    """

    shape: tuple[int, int]
    size: NDArray[np.intp]
    at_border: Mask
    box: Int32
    pixels: Pixels
    rim: Pixels
    moments: Moments

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.size)

    def gathered(self, group: Group) -> Moments:
        """Return the means over a group's pixels."""
        share, all_of = self.size[group] / self.size[group].sum(), self.moments
        parts = (all_of.terms, all_of.light, all_of.squared, all_of.crossed)
        return Moments(*(np.tensordot(share, part[group], 1) for part in parts))


def even_areas(log_light: Light) -> Areas:
    """Return the even areas of a scan.

    Parameters
    ----------
    log_light
        (h, w, 3), log10 light above dark.

    Notes
    -----
    Edges, halos and all that a lens or a file's compression lays along them vary within a few
    pixels, so that they are left out.
    """
    labels, stats = _labelled(log_light)
    large = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= _LEAST_AREA_PX)
    large = large[large > 0]
    bright = channel_mean(log_light)
    sums = np.bincount(labels.ravel(), bright.ravel(), len(stats))
    means = sums[large] / stats[large, cv2.CC_STAT_AREA]
    return _areas(log_light, labels, large[np.argsort(-means, kind="stable")][:_MOST_AREAS], stats)


def _areas(log_light: Light, labels: Int32, kept: NDArray[np.intp], stats: Int32) -> Areas:
    """Return those areas of a scan that have the labels `kept`, in their order."""
    from pipeline.strip.area_kernel import gather, products

    rows, columns = labels.shape
    size = stats[kept, cv2.CC_STAT_AREA].astype(np.intp)
    starts = np.concatenate([[0], np.cumsum(size)])
    order = np.full(len(stats), -1, np.int32)
    order[kept] = np.arange(len(kept))
    all_of, rims = np.empty((2, int(starts[-1])), np.int64)
    rim_size = gather(labels, order, starts[:-1].astype(np.int64), all_of, rims)
    pixels = _thinned(log_light, all_of, starts[:-1], size)
    terms = map_terms(pixels.x, pixels.y, (rows, columns))
    squared, crossed = np.empty((len(kept), 7, 7)), np.empty((len(kept), 7, 3))
    products(terms, pixels.log_light, pixels.starts, squared, crossed)
    left, top, width, height = stats[kept, :4].T
    box = np.stack([left, left + width - 1, top, top + height - 1], axis=-1)
    return Areas(
        shape=(rows, columns),
        size=size,
        at_border=(box == [0, columns - 1, 0, rows - 1]).any(axis=1),
        box=box.astype(np.int32),
        pixels=pixels,
        rim=_thinned(log_light, rims, starts[:-1], rim_size),
        moments=Moments(pixels.mean(terms), pixels.mean(pixels.log_light), squared, crossed),
    )


def _thinned(
    log_light: Light, flat: NDArray[np.int64], starts: NDArray[np.intp], sizes: NDArray[np.intp]
) -> Pixels:
    """Return an even part of the pixels of each area, that are so many from `starts` on."""
    steps = np.maximum(1, sizes // _MOST_PIXELS)
    parts = [flat[s : s + n : step] for s, n, step in zip(starts, sizes, steps, strict=True)]
    some = np.concatenate([np.zeros(0, np.int64), *parts])
    y, x = np.divmod(some, log_light.shape[1])
    light = log_light.reshape(-1, 3)[some].astype(float)
    counts = np.cumsum([0, *map(len, parts)])
    return Pixels(counts.astype(np.intp), x.astype(float), y.astype(float), light)


def _labelled(log_light: Light) -> tuple[Int32, Int32]:
    """Return labels (h, w) of even areas, 0 for the rest, and their boxes and sizes."""
    mean: Light = np.asarray(cv2.blur(log_light, (3, 3), borderType=cv2.BORDER_REPLICATE))
    bright = channel_mean(mean)
    lit = bright > np.float32(np.percentile(bright[::3, ::3], 99.5) - 1.0)
    off = np.abs(channel_mean(log_light - mean))[lit]
    noise = SIGMA_OF_MAD * float(median(off)) if off.size else 0.0
    around = np.ones((2 * _REACH_PX + 1,) * 2, np.uint8)
    span = greatest(np.asarray(cv2.dilate(mean, around) - cv2.erode(mean, around), np.float32))
    even = (span < _EVEN + _EVEN_OF_NOISE * noise).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(even, connectivity=4)
    return np.asarray(labels, np.int32), np.asarray(stats, np.int32)
