"""Own state equations of a few nodes, solved over the instants they are read at."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import Any

from scipy.integrate import ODEintWarning, odeint

from harness.contracts import FloatArray

Rates = Callable[[FloatArray, float], Sequence[float]]


def solved(
    what: str, rates: Rates, start: FloatArray, time: FloatArray, corners: FloatArray, **options: Any
) -> FloatArray:
    """States at some instants, shape (time, state).

    Parameters
    ----------
    what : is solved, for the error's text;  rates : time derivative of a state at an instant
    corners : instants where the rates have a corner [s];  options : ``rtol``, ``atol``, ``mxstep``, ``hmax`` of odeint

    Raises
    ------
    ArithmeticError : it cannot be solved
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ODEintWarning)  # said by the error below
        states, told = odeint(rates, start, time, tcrit=corners, full_output=True, **options)
    if told["message"] != "Integration successful.":
        raise ArithmeticError(f"{what} cannot be solved: {told['message']}")
    return states
