"""Compiled loops: how they are compiled and kept, and the logarithm and power they share."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import llvmlite.binding as llvm
import numba
import numpy as np
from numba.core import config

Function = TypeVar("Function", bound=Callable[..., object])

index = np.uint64
"""What loops index arrays with: it has no sign, so that no place is looked at for being negative.

Loops that are called often take whole arrays and where to begin, not parts of arrays: a part is
counted in and out with every call, which takes as long as a hundred pixels.
"""

_LEAST_EXPONENT, _MOST_EXPONENT = -126.0, 126.0
# The compiler holds vectors to half of their width, since the first processors that had wide ones
# ran slower with them. Those that have this set of instructions as well do not.
_WIDE_AT_NO_COST = "avx512vbmi2"


def _widen() -> None:
    """Let loops use vectors as wide as the processor has, unless the user sets what it has."""
    features, settings = llvm.get_host_cpu_features(), cast(Any, config)
    if settings.CPU_FEATURES is None and features.get(_WIDE_AT_NO_COST):
        settings.CPU_FEATURES = f"{features.flatten()},-prefer-256-bit"


_widen()


def compiled(signature: object = None, *, fast: bool = False) -> Callable[[Function], Function]:
    """Compile a function; without a signature, into those that call it.

    What is compiled is kept beside its file, else in the user's folder, where either can be
    written to. `fast` allows sums in any order, and takes all numbers to be finite.
    """

    def compile_it(function: Function) -> Function:
        made: Any
        options: dict[str, Any] = {"nogil": True, "fastmath": fast, "error_model": "numpy"}
        try:
            made = numba.njit(signature, cache=True, **options)(function)
        except (RuntimeError, OSError):  # Neither folder can be written to, or it is full.
            made = numba.njit(signature, **options)(function)
        return cast(Function, made)

    return compile_it


def _log_terms() -> tuple[np.float32, ...]:
    """Return the polynomial (ascending) of log2(1 + f) / f about 0, off by 2e-8 at most."""
    low, high = np.sqrt(0.5) - 1.0, np.sqrt(2.0) - 1.0
    f = (low + high) / 2 + (high - low) / 2 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)
    fitted = np.polynomial.Polynomial.fit(f, np.log2(1.0 + f) / f, 8).convert()
    return tuple(np.float32(term) for term in fitted.coef)


def _power_terms() -> tuple[np.float32, ...]:
    """Return the polynomial (ascending) of 2 ** x from -1/2 to 1/2, off by 3e-9 at most."""
    x = 0.5 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)
    fitted = np.polynomial.Polynomial.fit(x, 2.0**x, 6).convert()
    return tuple(np.float32(term) for term in fitted.coef)


_LOG, _POWER = _log_terms(), _power_terms()
_SQRT_HALF_BITS, _MANTISSA_BITS, _BIAS = np.int32(0x3F3504F3), np.int32(23), np.int32(127)


@compiled(fast=True)
def log2(value: Any) -> Any:
    """Return the logarithm of a float32 above 0, of full precision; it vectorises."""
    bits = np.float32(value).view(np.int32)
    exponent = np.int32(np.int32(bits - _SQRT_HALF_BITS) >> _MANTISSA_BITS)
    rest = np.int32(bits - np.int32(exponent << _MANTISSA_BITS)).view(np.float32) - np.float32(1.0)
    total = _LOG[8]
    total = total * rest + _LOG[7]
    total = total * rest + _LOG[6]
    total = total * rest + _LOG[5]
    total = total * rest + _LOG[4]
    total = total * rest + _LOG[3]
    total = total * rest + _LOG[2]
    total = total * rest + _LOG[1]
    total = total * rest + _LOG[0]
    return np.float32(exponent) + total * rest


@compiled(fast=True)
def exp2(value: Any) -> Any:
    """Return 2 to a float32, held to what a float32 can say; it vectorises."""
    held = min(max(value, np.float32(_LEAST_EXPONENT)), np.float32(_MOST_EXPONENT))
    whole = np.int32(np.floor(held + np.float32(0.5)))
    rest = held - np.float32(whole)
    total = _POWER[6]
    total = total * rest + _POWER[5]
    total = total * rest + _POWER[4]
    total = total * rest + _POWER[3]
    total = total * rest + _POWER[2]
    total = total * rest + _POWER[1]
    total = total * rest + _POWER[0]
    return total * np.int32(np.int32(whole + _BIAS) << _MANTISSA_BITS).view(np.float32)
