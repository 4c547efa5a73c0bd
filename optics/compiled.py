"""Inner loops as machine code: one decorator for the kernels of all rooms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def compiled(*, any_order: bool = False) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Return a decorator that turns a function of numbers and arrays into machine code at its first call.

    The code is kept beside the source (or in the user's cache) for the next process, until the file of the
    function changes. A kernel that calls a kernel of another file would keep that one's old code: kernels
    that call each other share a file. Indices are not checked: a kernel trusts its caller.

    With ``NUMBA_DISABLE_JIT=1`` in the environment the plain function is left as it is (coverage, debugging);
    with ``NUMBA_BOUNDSCHECK=1`` indices are checked.

    Parameters
    ----------
    any_order : bool
        Sums may be taken in any order, several terms at once: faster, and right to rounding. The result is
        the same at every call on one machine all the same.
    """
    options: dict[str, Any] = {"error_model": "numpy"}
    if any_order:
        options["fastmath"] = {"reassoc", "contract", "nsz"}

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        try:
            kernel = numba.njit(cache=True, **options)(function)
        except RuntimeError:  # nowhere to keep it: neither beside the source nor in a home
            kernel = numba.njit(**options)(function)
        return cast(Callable[P, R], kernel)

    return decorate
