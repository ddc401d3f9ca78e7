"""The compiled loops that reduce code values; importing them loads the compiler."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.kinds import Codes, Span

Sums = NDArray[Any]

_ROWS = [f"{kind}[:,::1]" for kind in ("uint16", "uint8")]


@compiled(fast=True)
def _add(row: Codes, sums: Sums, hits: Codes, full: Any) -> None:
    """Add a row of codes to sums, and count those at full scale."""
    for at in range(len(sums)):
        code = row[at]
        sums[at] += code
        hits[at] += np.uint32(code >= full)


@compiled(fast=True)
def _add_light(row: Codes, sums: Sums, hits: Codes, full: Any, tables: Sums, samples: int) -> None:
    """Add the light of a row of codes to sums, by tables, and count those at full scale."""
    last = np.uint32(tables.shape[1] - 1)
    for channel in range(samples):
        table = tables[min(channel, len(tables) - 1)]
        for at in range(channel, len(sums), samples):
            code = np.uint32(row[at])
            sums[at] += table[min(code, last)]
            hits[at] += np.uint32(code >= full)


@compiled(fast=True)
def _across(
    sums: Sums,
    hits: Codes,
    factor: int,
    scale: float,
    means: Sums,
    mask: Codes,
    counts: Codes,
    span: Span,
) -> None:
    """Fill a row of means (n, samples) and its mask with the sums of blocks, times a scale."""
    columns, samples = means.shape
    width = len(sums) // samples
    for column in range(columns):
        first, last = column * factor, min((column + 1) * factor, width)
        clipped = np.uint32(0)
        for sample in range(samples):
            total, struck = 0.0, np.uint32(0)
            for at in range(first * samples + sample, last * samples + sample, samples):
                total += sums[at]
                struck += hits[at]
            means[column, sample] = total * scale / (last - first)
            counts[sample] += struck
            if span[0] <= sample < span[1]:
                clipped += struck
        mask[column] = clipped > 0


_OUT = "uint32, float64, float32[:,:,::1], boolean[:,::1], int64[::1], UniTuple(int64, 2)"


@compiled([f"void({rows}, int64, {_OUT})" for rows in _ROWS], fast=True)
def block_means_of_codes(
    codes: Codes,
    factor: int,
    full: Any,
    scale: float,
    means: Sums,
    mask: Codes,
    counts: Codes,
    span: Span,
) -> None:
    """Average codes over blocks of factor x factor, those at the ends over what is there.

    Parameters
    ----------
    codes
        (rows, columns times samples).
    full, scale
        The code that counts as clipped; by what codes are multiplied.
    means, mask, counts
        (rows / factor, columns / factor, samples) and as many flags without samples, filled;
        clipped codes of each sample, added.
    span
        First sample whose clipped codes set flags, and one past the last.
    """
    length = codes.shape[1]
    sums, hits = np.empty(length, np.uint32), np.empty(length, np.uint32)
    for out in range(len(means)):
        sums[:] = 0
        hits[:] = 0
        top, bottom = out * factor, min((out + 1) * factor, len(codes))
        for row in range(top, bottom):
            _add(codes[row], sums, hits, full)
        _across(sums, hits, factor, scale / (bottom - top), means[out], mask[out], counts, span)


@compiled([f"void({rows}, int64, float32[:,::1], {_OUT})" for rows in _ROWS], fast=True)
def block_means_of_light(
    codes: Codes,
    factor: int,
    tables: Sums,
    full: Any,
    scale: float,
    means: Sums,
    mask: Codes,
    counts: Codes,
    span: Span,
) -> None:
    """Average the light of codes, by a table for all samples or one for each.

    Parameters are those of `block_means_of_codes`.
    """  # fmt: skip
    length = codes.shape[1]
    sums, hits = np.empty(length, np.float32), np.empty(length, np.uint32)
    for out in range(len(means)):
        sums[:] = 0
        hits[:] = 0
        top, bottom = out * factor, min((out + 1) * factor, len(codes))
        for row in range(top, bottom):
            _add_light(codes[row], sums, hits, full, tables, means.shape[2])
        _across(sums, hits, factor, scale / (bottom - top), means[out], mask[out], counts, span)
