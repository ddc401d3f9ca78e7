"""Compiled loops: how they are compiled and kept, and the logarithm and power they share."""

import importlib
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
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
# ran slower with them. Those that have this set of instructions as well do not, and get the whole
# width unless the user sets what the processor has.
_WIDE_AT_NO_COST = "avx512vbmi2"
_FEATURES, _SETTINGS = llvm.get_host_cpu_features(), cast(Any, config)
if _SETTINGS.CPU_FEATURES is None and _FEATURES.get(_WIDE_AT_NO_COST):
    _SETTINGS.CPU_FEATURES = f"{_FEATURES.flatten()},-prefer-256-bit"


# Set for processes that compile for another one.
_FOR_ANOTHER = "EVENROLL_COMPILES"
_AT_A_TIME = 2


def compiled(
    signature: object = None, *, fast: bool | frozenset[str] = False
) -> Callable[[Function], Function]:
    """Compile a function; without a signature, into those that call it.

    What is compiled is kept beside its file, else in the user's folder, where either can be
    written to. Where it isn't there yet, other processes compile it. `fast` allows sums in any
    order, and takes all numbers to be finite; or it names what of the compiler's liberties is
    allowed.
    """

    def compile_it(function: Function) -> Function:
        made: Any
        options: dict[str, Any] = {
            "nogil": True,
            "fastmath": set(fast) if isinstance(fast, frozenset) else fast,
            "error_model": "numpy",
        }
        try:
            made = numba.njit(cache=True, **options)(function)
            if signature is not None:
                if not _is_kept(made):
                    _compile_apart()
                made = numba.njit(signature, cache=True, **options)(function)
        except (RuntimeError, OSError):  # Neither folder can be written to, or it is full.
            made = numba.njit(signature, **options)(function)
        return cast(Function, made)

    return compile_it


def _is_kept(lazy: Any) -> bool:
    """Tell whether anything that was compiled of a function is kept, or need not be."""
    if _SETTINGS.DISABLE_JIT:
        return True
    function = lazy.py_func
    name = f"{function.__module__.rpartition('.')[2]}.{function.__qualname__}"
    return any(Path(lazy.stats.cache_path).glob(f"{name}-*.nbi"))


@cache
def _compile_apart() -> None:
    """Have another process compile all loops there are; where it can't, this one does.

    What compiling takes of memory, some hundreds of megabytes, is not given back.
    """
    if _FOR_ANOTHER in os.environ:
        return
    own = f"import sys; sys.path[:] = {sys.path!r}; from pipeline.compiled import compile_all"
    call = f"from pathlib import Path; compile_all(Path({str(Path(__file__).parent)!r}))"
    with suppress(OSError):
        subprocess.run(
            [sys.executable, "-c", f"{own}; {call}"],
            env={**os.environ, _FOR_ANOTHER: "1"},
            check=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )


def compile_all(package: Path) -> None:
    """Compile all loops of a package that are not kept yet, module by module.

    Each module has a process of its own, where the system can fork, and so little memory.
    """
    asks, texts = b"from pipeline.compiled import", {}
    for path in package.rglob("*.py"):
        text = path.read_bytes()
        if asks in text:
            texts[".".join(path.relative_to(package.parent).with_suffix("").parts)] = text
    running = 0
    # What takes longest first, and with it what it imports.
    for module in sorted(texts, key=lambda name: (-len(texts[name]), name)):
        if any(f"from {module} import".encode() in text for text in texts.values()):
            continue
        if running == _AT_A_TIME:
            os.wait()
            running -= 1
        running += _begins_a_fork(module)
    for _ in range(running):
        os.wait()


def _begins_a_fork(module: str) -> bool:
    """Import a module, in a process of its own where there can be one; tell whether there is."""
    if not hasattr(os, "fork"):
        importlib.import_module(module)
        return False
    if os.fork():
        return True
    try:
        importlib.import_module(module)
    finally:
        os._exit(0)


def _terms(
    function: Callable[[Any], Any], low: float, high: float, degree: int
) -> tuple[np.float32, ...]:
    """Return the polynomial of a function from `low` to `high`, its highest power first."""
    x = (low + high) / 2 + (high - low) / 2 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)
    fitted = np.polynomial.Polynomial.fit(x, function(x), degree).convert()
    return tuple(np.float32(term) for term in fitted.coef[::-1])


# log2(1 + f) / f about 0 and (2 ** x - 1) / x from -1/2 to 1/2: both results are off by 1e-7 at
# most, and exact at 1 and at 0, so that white stays white.
_LOG = _terms(lambda f: np.log2(1.0 + f) / f, np.sqrt(0.5) - 1.0, np.sqrt(2.0) - 1.0, 7)
_POWER = _terms(lambda x: np.expm1(x * np.log(2.0)) / x, -0.5, 0.5, 4)
_SQRT_HALF_BITS, _MANTISSA_BITS, _BIAS = np.int32(0x3F3504F3), np.int32(23), np.int32(127)


@compiled(fast=True)
def log2(value: Any) -> Any:
    """Return the logarithm of a float32 above 0, of full precision; it vectorises."""
    bits = np.float32(value).view(np.int32)
    exponent = np.int32(np.int32(bits - _SQRT_HALF_BITS) >> _MANTISSA_BITS)
    rest = np.int32(bits - np.int32(exponent << _MANTISSA_BITS)).view(np.float32) - np.float32(1.0)
    total = np.float32(0.0)
    for term in _LOG:
        total = total * rest + term
    return np.float32(exponent) + total * rest


@compiled(fast=True)
def exp2(value: Any) -> Any:
    """Return 2 to a float32 from -126 to 127; it vectorises."""
    whole = np.floor(value + np.float32(0.5))
    rest = value - whole
    total = np.float32(0.0)
    for term in _POWER:
        total = total * rest + term
    bits = np.int32(np.int32(np.int32(whole) + _BIAS) << _MANTISSA_BITS)
    scale = bits.view(np.float32)
    return total * rest * scale + scale


@compiled(fast=True)
def held_exp2(value: Any) -> Any:
    """Return 2 to any float32, held to what a float32 can say; it vectorises."""
    return exp2(min(max(value, np.float32(_LEAST_EXPONENT)), np.float32(_MOST_EXPONENT)))
