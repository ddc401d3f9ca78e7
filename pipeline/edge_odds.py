"""The answer that explains all codes of a chain together, and the odds against any other."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.edge_code import EdgeFormat, bits_of, encode, field, fixed_places, value_of
from pipeline.kinds import Bits, Float64

Answer = tuple[int, int, int]

# Least deviation of a bit's reading: blur that is undone imperfectly is no chance noise.
BIT_DEVIATION = 0.05
# Quantile of the normal law up to which the deviation is not underrated: 99 percent.
DEVIATION_QUANTILE = 2.33


def likeliest(soft: Float64, away: NDArray[np.intp], layout: EdgeFormat) -> tuple[Answer, float]:
    """Return the likeliest answer to a chain of codes, and its odds over the next likely one.

    Every code holds the same film and counts on by its distance along the chain. Bits are taken
    as independent and normal: for a reading s of a bit that is a or -a, with a deviation sigma,
    the log-likelihood ratio is 2 a s / sigma^2. All numbers are tried; of the films, for each
    parity, the two likeliest.

    Parameters
    ----------
    soft
        (n, modules) bits of the data tracks, -0.5 clear to 0.5 dense.
    away
        (n,) places of the codes in steps along the chain.

    Returns
    -------
    tuple
        Product, generation and number at step 0; natural logarithm of the odds, 0 or more.
    """
    weight = _weight(soft, layout)
    soft = np.clip(soft, -0.5, 0.5)
    films = _likely_films(soft.sum(axis=0), layout)
    numbers = (np.arange(layout.steps)[:, None] + away[None, :]) % layout.steps
    signs = _number_signs(layout)[numbers]
    counted = np.concatenate([field(layout, "f"), field(layout, "h")])
    parity = field(layout, "x")
    count_fit = np.sum(signs[:, :, counted] * soft[:, counted], axis=(1, 2))
    parity_fit = np.sum(signs[:, :, parity] * soft[:, parity], axis=(1, 2))
    fits = np.array(
        [
            fit + count_fit + (-parity_fit if np.count_nonzero(bits) % 2 else parity_fit)
            for bits, fit in films
        ]
    )
    film, number = np.unravel_index(int(np.argmax(fits)), fits.shape)
    second, first = np.partition(fits.ravel(), -2)[-2:]
    bits = films[film][0]
    answer = (value_of(layout, bits, "p"), value_of(layout, bits, "g"), int(number))
    return answer, float(first - second) * weight


def _likely_films(sums: Float64, layout: EdgeFormat) -> list[tuple[Bits, float]]:
    """Return the likeliest film and second likeliest of each parity, as bits and their fit."""
    places = np.concatenate([field(layout, "p"), field(layout, "g")])
    weakest, weak = places[np.argsort(np.abs(sums[places]))[:2]]
    films = []
    for wrong in ([], [weakest], [weak], [weakest, weak]):
        bits = np.zeros(sums.size, dtype=np.bool_)
        bits[places] = sums[places] > 0.0
        bits[wrong] ^= True
        films.append((bits, float(sums[places] @ np.where(bits[places], 1.0, -1.0))))
    return films


def _weight(soft: Float64, layout: EdgeFormat) -> float:
    """Return a / sigma^2, from the bits that are the same in every code.

    Few bits tell little of a deviation: the upper end of its confidence interval is taken
    (Wilson and Hilferty's approximation of chi-squared).
    """
    fixed = fixed_places(layout)
    known = soft[:, fixed] * np.where(bits_of(layout.data)[fixed], 1.0, -1.0)
    spread = 2.0 / (9.0 * (known.size - 1))
    least = float((1.0 - spread - DEVIATION_QUANTILE * np.sqrt(spread)) ** 3)
    variance = float(known.var(ddof=1)) / least + BIT_DEVIATION**2
    return float(max(float(known.mean()), 0.0) / variance)


@cache
def _number_signs(layout: EdgeFormat) -> Float64:
    """Return (steps, modules): 1 where a number's bit is dense, else -1, for a film of zeros."""
    bits = np.array([encode(layout, 0, 0, step) for step in range(layout.steps)])
    return np.where(bits, 1.0, -1.0)
