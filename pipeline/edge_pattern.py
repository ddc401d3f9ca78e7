"""What the modules of an edge barcode look like through a scan's blur, and how they are fitted."""

from functools import cache

import numpy as np

from pipeline.edge_code import bits_of
from pipeline.kinds import Floats, Signal

# Samples a module in which a track is read, and modules of clear base read on either side.
FINE = 6
QUIET = 1
# Blur of a scan, in modules (standard deviation), among which the clock decides.
BLURS = (0.12, 0.2, 0.28, 0.36, 0.44, 0.52, 0.6, 0.7)


def boxes(place: Floats, blur: float, modules: int) -> Signal:
    """Return (places, modules): what each module, blurred, gives at each place in modules."""
    from scipy.special import ndtr

    edge = (place[:, None] - np.arange(modules + 1)[None, :]) / blur
    step = ndtr(edge)
    return np.asarray(step[:, :-1] - step[:, 1:])


@cache
def places(modules: int) -> Signal:
    """Return where a code's samples lie, in modules from its first module's left border."""
    return (np.arange((modules + 2 * QUIET) * FINE) + 0.5) / FINE - QUIET


@cache
def basis_of(blur: float, modules: int) -> Signal:
    """Return (samples, modules): what each module of a code gives at each of its samples."""
    return boxes(places(modules), blur, modules)


@cache
def drift(modules: int) -> Signal:
    """Return a constant and a slope, for base that is not even along a code."""
    place = places(modules)
    return np.stack([np.ones_like(place), place / modules - 0.5], axis=1)


@cache
def to_drift(modules: int) -> Signal:
    """Return the matrix that fits constant and slope to a signal (least squares)."""
    return np.asarray(np.linalg.pinv(drift(modules)))


def without_drift(signal: Signal, modules: int) -> Signal:
    """Return a code's signal less the base that drifts along it."""
    return np.asarray(signal - drift(modules) @ (to_drift(modules) @ signal))


@cache
def blurred_clock(clock: str, blur: float) -> Signal:
    """Return a clock's pattern under a blur."""
    return np.asarray(basis_of(blur, len(clock)) @ bits_of(clock).astype(np.float64))


@cache
def clock_terms(clock: str, blur: float) -> tuple[Signal, Signal]:
    """Return a clock's pattern with its drift, and the matrix that fits them to a signal."""
    terms = np.column_stack([blurred_clock(clock, blur), drift(len(clock))])
    return terms, np.asarray(np.linalg.pinv(terms))


@cache
def to_misfit(clock: str, blur: float) -> Signal:
    """Return the matrix (3, n) that gives size, shift and stretch of a clock in a signal.

    The pattern, its derivative and its derivative times the distance from the middle are fitted
    to the signal (least squares).
    """
    blurred = blurred_clock(clock, blur)
    slope = np.gradient(blurred, 1.0 / FINE)
    from_middle = places(len(clock)) - len(clock) / 2
    terms = np.column_stack([blurred, slope, slope * from_middle, drift(len(clock))])
    return np.asarray(np.linalg.pinv(terms)[:3])


@cache
def flat_clocks(clock: str) -> tuple[Signal, Signal]:
    """Return a clock's pattern under each blur (blurs, n), less its drift, with its length."""
    flat = np.array([without_drift(blurred_clock(clock, blur), len(clock)) for blur in BLURS])
    return flat, np.linalg.norm(flat, axis=1)


def likeliest_blur(signal: Signal, clock: str) -> float:
    """Return the blur under which a clock's pattern correlates best with a signal."""
    flat = without_drift(signal, len(clock))
    patterns, lengths = flat_clocks(clock)
    matches = patterns @ flat / (float(np.linalg.norm(flat)) * lengths + 1e-12)
    return BLURS[int(np.argmax(matches))]


@cache
def data_terms(blur: float, modules: int) -> tuple[Signal, Signal, Signal]:
    """Return what data tracks are made of: modules and drift, their products, all at a half."""
    basis = basis_of(blur, modules)
    terms = np.column_stack([basis, drift(modules)])
    return terms, terms.T @ terms, 0.5 * basis.sum(axis=1)
