"""How functions become machine code."""

from __future__ import annotations

import inspect
import sys
import zlib
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])

LANES = 64
"""States are worked on in blocks of so many instants: a block's rows stay in the nearest cache."""

_OPTIONS: dict[str, Any] = {"error_model": "numpy", "nogil": True}
_INNER: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
_sources: dict[str, int] = {}


def kernel(function: Function) -> Function:
    """Compile on first use, without the interpreter's lock.

    Arithmetic is IEEE's to the letter: nothing is reordered, and no multiplication is fused with an
    addition. That costs a sixth of the speed, and buys that neither the compiler's mood nor the
    kind of processor changes a bit of any result.
    """
    _remember(function)
    return cast(Function, numba.njit(**_OPTIONS, **_INNER)(function))


def inlined(function: Function) -> Function:
    """Compile into its callers: a loop works on several instants at once only if nothing in it is
    a call.
    """
    _remember(function)
    return cast(Function, numba.njit(forceinline=True, **_OPTIONS, **_INNER)(function))


def entry(make: Callable[[int], Function]) -> Function:
    """A kernel that is called from Python, kept compiled beside its source.

    Args:
        make: gives the function when called with a number that stands for the sources of all
            kernels so far. The function must use the number: it makes what was compiled from
            older sources unfit for use.
    """
    function = make(sources_number())
    try:
        return cast(Function, numba.njit(cache=True, **_OPTIONS)(function))
    except RuntimeError:  # nowhere to keep it: compile anew in each process
        return cast(Function, numba.njit(**_OPTIONS)(function))


def sources_number() -> int:
    """A checksum of the sources of all modules with kernels that have been imported."""
    total = zlib.crc32(inspect.getsource(sys.modules[__name__]).encode())
    for name in sorted(_sources):
        total = zlib.crc32(f"{name}:{_sources[name]}".encode(), total)
    return total


def _remember(function: Callable[..., Any]) -> None:
    name = function.__module__
    if name not in _sources:
        _sources[name] = zlib.crc32(inspect.getsource(sys.modules[name]).encode())
