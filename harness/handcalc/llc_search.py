"""Operation of an LLC's tank: its periodic state at a frequency, the frequency that brings a load, its lowest drive.

The periodic state is that of half-wave symmetry, found by Newton's method on the half periods of ``llc_tank``. The
first-harmonic gain (Steigerwald, IEEE Trans. Power Electronics 3(2), 1988; from memory) stands beside it: right at the
series resonance alone, 4 % low at 0.8 of it and 15 % low at 0.6 (tests), so that it gives starts, never a metric.
"""

from __future__ import annotations

import contextlib
import functools
import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar

from harness.contracts import FloatArray, NotModelledError
from harness.handcalc.llc_tank import FINE_STEPS, LEAST_ACROSS, Half, Tank, half_period, scales

MOST_ITERATIONS = 40
CONVERGED = 1e-7  # of the unknowns, scaled
DIFFERENCE = 1e-5  # scaled
LARGEST_STEP = 0.1  # of state and frequency together, scaled
NEAR = 0.5  # in logarithms of drive, output, current and parts: a tank that far away is no start
FLAT = 1e-2  # of the frequency: the drive is flat about its smallest value
COARSE = 6  # frequencies looked at before the smallest drive is sought around the best of them
LEAST_ABOVE = 1.02  # of the resonance with idle rectifiers: below it no converter is operated
HALVINGS = (0.5, 0.42, 0.58) * 4  # of a range of frequencies, tried in turn
MOST_NEARER = 3  # of them begin Newton's method
MET, ALMOST = 3e-3, 0.1  # of the current: where halving ends, and what it must have come to
SETTLING = (12, 40, 200)  # half periods run before Newton's method, so that it starts near


def first_harmonic_gain(frequency: float, inductance_ratio: float, quality: float) -> float:
    """Gain of the tank by its first harmonic, M = Ln fn^2 / |(Ln + 1) fn^2 - 1 + j (fn^2 - 1) fn Q Ln|.

    Parameters
    ----------
    frequency : over the series resonance;  inductance_ratio : magnetising over series
    quality : characteristic impedance over the load seen from the primary, 8 n^2 R / pi^2
    """
    square = frequency**2
    real = (inductance_ratio + 1) * square - 1
    imaginary = (square - 1) * frequency * quality * inductance_ratio
    return inductance_ratio * square / math.hypot(real, imaginary)


def first_harmonic_frequency(tank: Tank, current: float) -> float:
    """The frequency at which the first-harmonic gain is what the load needs, on the falling side [Hz]."""
    load = 8 / math.pi**2 * tank.reflected / current
    quality = math.sqrt(tank.series / tank.capacitance) / load
    ratio = tank.magnetising / tank.series
    needed = tank.reflected / tank.drive
    grid = np.geomspace(4.0, 0.95 * tank.lower_resonance / tank.resonance, 200)
    gains = np.array([first_harmonic_gain(float(one), ratio, quality) for one in grid])
    top = int(np.argmax(gains))
    reaching = np.nonzero(gains[: top + 1] >= needed)[0]
    return float(grid[reaching[0] if reaching.size else top]) * tank.resonance


def periodic_half(tank: Tank, frequency: float, start: FloatArray | None = None) -> Half:
    """The positive half period of the periodic state at a frequency [Hz].

    Raises
    ------
    ArithmeticError : none was found
    """
    if start is not None:
        return _mirrored(tank, frequency, start)
    state = np.array([0.0, 0.0, 0.0, -tank.reflected])
    for settling in SETTLING:
        for _ in range(settling):
            state = 0.5 * (state - half_period(tank, state, frequency).end)
        with contextlib.suppress(ArithmeticError):
            return _mirrored(tank, frequency, state)
    raise ArithmeticError(f"no periodic state of the tank found at {frequency:.4g} Hz")


def _mirrored(tank: Tank, frequency: float, state: FloatArray) -> Half:
    """Newton's method on the half period's mirror image."""

    def miss(start: FloatArray) -> FloatArray:
        return _miss(tank, half_period(tank, start, frequency), start) / scales(tank)

    for _ in range(MOST_ITERATIONS):
        basis, state = _basis(tank, half_period(tank, state, frequency), state)
        found = miss(state)
        slope = np.column_stack([(miss(state + DIFFERENCE * column) - found) / DIFFERENCE for column in basis.T])
        step = _least(slope, found)
        size = max(float(np.max(np.abs(step))), 1e-12)
        state = state + min(1.0, 0.5 / size) * (basis @ step)
        if size < CONVERGED:
            return half_period(tank, state, frequency, FINE_STEPS)
    raise ArithmeticError(f"no periodic state of the tank found at {frequency:.4g} Hz")


def _miss(tank: Tank, half: Half, state: FloatArray) -> FloatArray:
    """By how much a half period does not mirror its begin; a voltage that is clamped or follows is no state."""
    miss = half.end + state
    if not half.ends_idle or not tank.rings:
        miss[3] = 0.0
    return miss


def _basis(tank: Tank, half: Half, state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The directions in which a state may move, scaled, and the state.

    Where the half period ends with the rectifiers carrying current, the voltage there is theirs; so it begins. Where
    they are idle and nothing rings, the two currents are one and the voltage follows from the rest.
    """
    whole = np.diag(scales(tank))
    if not half.ends_idle:
        return whole[:, :3], np.array([*state[:3], -math.copysign(tank.reflected, half.clamped[-1])])
    if tank.rings:
        return whole, state
    return np.column_stack((whole[:, 0] + whole[:, 1], whole[:, 2])), np.array([state[0], state[0], state[2], 0.0])


def _least(slope: FloatArray, miss: FloatArray) -> FloatArray:
    return np.asarray(-np.linalg.lstsq(slope, miss, rcond=1e-12)[0], dtype=np.float64)


@functools.lru_cache(maxsize=4096)
def regulated(tank: Tank, current: float, low: float, high: float) -> tuple[float, Half]:
    """The frequency at which the rectifiers carry a mean current, seen from the primary, and its half period.

    On the falling side of the gain, where a controller works. Newton's method on state and frequency together, from the
    first-harmonic estimate; a bracketing search where it does not converge.

    Parameters
    ----------
    current : wanted [A];  low, high : frequencies the controller can set [Hz]

    Raises
    ------
    ArithmeticError : out of reach between the two
    """
    near = _nearest(_REGULATED, tank, current)
    for start in (near, None) if near is not None else (None,):
        with contextlib.suppress(ArithmeticError):
            if start is not None:
                guess, state = start
            else:
                guess = min(max(first_harmonic_frequency(tank, current), low), high)
                state = -periodic_half(tank, guess).end
            found = _newton(tank, current, guess, state)
            if low * 0.999 <= found.frequency <= high * 1.001 and found.falls:
                _REGULATED.append((tank, current, found))
                return found.frequency, found.half
    return _bracketed(tank, current, low, high)


@dataclass(frozen=True, slots=True)
class Found:
    """A tank that delivers a current: at a frequency [Hz], and whether the current falls with it."""

    tank: Tank
    frequency: float
    half: Half
    falls: bool


Solved = tuple[Tank, float, Found]  # a tank, the current wanted of it, what was found
# What was found last. A search begins at the nearest of these, which is where one at an input's other end mostly leads.
# What it comes to meets its own equations to CONVERGED; where a ring allows two operations, the start decides which.
_REGULATED: deque[Solved] = deque(maxlen=24)
_LOWEST: deque[Solved] = deque(maxlen=24)


def forget() -> None:
    """Lets the next searches begin as if none had been made: what they come to may hang on where they begin."""
    _REGULATED.clear()
    _LOWEST.clear()
    regulated.cache_clear()
    lowest_drive.cache_clear()


def _across(tank: Tank) -> float:
    """The rectifiers' capacitance, or the largest that is left out [F]."""
    return max(tank.across, LEAST_ACROSS * tank.capacitance)


def _nearest(solved: Iterable[Solved], tank: Tank, current: float) -> tuple[float, FloatArray] | None:
    """Frequency [Hz] and state of the nearest tank solved before, carried over; None where none is near."""
    best, least = None, NEAR
    for other, carried, found in solved:
        away = max(
            abs(math.log(one / two))
            for one, two in (
                (tank.drive, other.drive), (tank.reflected, other.reflected), (current, carried),
                (tank.series, other.series), (tank.magnetising, other.magnetising),
                (tank.capacitance, other.capacitance), (_across(tank), _across(other)),
            )
        )  # fmt: skip
        if away < least:
            best, least = (other, found), away
    if best is None:
        return None
    other, found = best
    state = -found.half.end * scales(tank) / scales(found.tank)
    return found.frequency * tank.resonance / other.resonance, state


def _newton(tank: Tank, current: float, frequency: float, state: FloatArray, *, drive: bool = False) -> Found:
    """State and frequency, or drive, at which the half period mirrors and the rectifiers carry the current."""
    scale = np.append(scales(tank), 1.0)
    factor = 1.0  # of the frequency or the drive

    def miss(start: FloatArray, by: float) -> tuple[FloatArray, Half]:
        driven = _driven(tank, by) if drive else tank
        half = half_period(driven, start, frequency * (1.0 if drive else by))
        return np.append(_miss(driven, half, start), half.delivered / current - 1) / scale, half

    for _ in range(MOST_ITERATIONS):
        _, half = miss(state, factor)
        basis, state = _basis(tank, half, state)
        found, half = miss(state, factor)
        columns = [(miss(state + DIFFERENCE * column, factor)[0] - found) / DIFFERENCE for column in basis.T]
        columns.append((miss(state, factor * (1 + DIFFERENCE))[0] - found) / DIFFERENCE)
        slopes = np.column_stack(columns)
        step = _least(slopes, found)
        size = max(float(np.max(np.abs(step))), 1e-12)
        share = min(1.0, LARGEST_STEP / size)
        state = state + share * (basis @ step[:-1])
        factor *= 1 + share * float(step[-1])
        if not 0.2 < factor < 5:
            break
        if size < CONVERGED:
            follows = _least(slopes[:-1, :-1], slopes[:-1, -1])  # how the state moves with the factor
            falls = float(slopes[-1, -1] + slopes[-1, :-1] @ follows) < 0
            driven, at = (_driven(tank, factor), frequency) if drive else (tank, frequency * factor)
            return Found(driven, at, half_period(driven, state, at, FINE_STEPS), falls)
    raise ArithmeticError("Newton's method found no operation")


def _driven(tank: Tank, by: float) -> Tank:
    """The tank with a square wave so many times as high."""
    return replace(tank, drive=tank.drive * by)


def _bracketed(tank: Tank, current: float, low: float, high: float) -> tuple[float, Half]:
    """From the highest frequency down until the current is reached, then halving."""
    grid = np.geomspace(high, low, 25)
    above: float | None = None
    half: Half | None = None
    for frequency in grid:
        try:
            half = periodic_half(tank, float(frequency), None if half is None else -half.end)
        except ArithmeticError:
            half = None
            continue
        if half.delivered >= current:
            break
        above = float(frequency)
    else:
        raise ArithmeticError(
            f"the tank delivers at most {half.delivered if half else 0:.4g} A of {current:.4g} A, seen from the primary"
        )
    below = float(frequency)
    if above is None:
        raise NotModelledError("delivers more than is wanted even at the highest frequency: bursts or skips pulses")
    assert half is not None  # the loop ended at one
    return _between(tank, current, below, above, half)


def _between(tank: Tank, current: float, below: float, above: float, half: Half) -> tuple[float, Half]:
    """The frequency between two, the lower of which delivers more: Newton's method from ever nearer, or by halving.

    At light load the idle rectifiers' ring decides where they begin to conduct, and a small range of frequencies may
    have no state that mirrors; then the nearest one found serves.

    Parameters
    ----------
    half : at the lower one
    """
    best = below, half
    for turn, share in enumerate(HALVINGS):
        middle = below * (above / below) ** share
        try:
            at = periodic_half(tank, middle, -best[1].end if turn else None)
        except ArithmeticError:
            continue  # another share is another frequency
        if turn < MOST_NEARER:
            with contextlib.suppress(ArithmeticError):
                found = _newton(tank, current, middle, -at.end)
                if below * 0.999 <= found.frequency <= above * 1.001:
                    return found.frequency, found.half
        best = min(best, (middle, at), key=lambda one: abs(one[1].delivered - current))
        if abs(best[1].delivered - current) < MET * current:
            break
        below, above = (middle, above) if at.delivered >= current else (below, middle)
    if abs(best[1].delivered - current) > ALMOST * current:
        raise ArithmeticError(f"no periodic state of the tank found between {below:.4g} and {above:.4g} Hz")
    with contextlib.suppress(ArithmeticError):  # from there it may converge after all
        found = _newton(tank, current, best[0], -best[1].end)
        if below * 0.999 <= found.frequency <= above * 1.001:
            return found.frequency, found.half
    return best


@functools.lru_cache(maxsize=4096)
def lowest_drive(tank: Tank, current: float, low: float) -> tuple[float, float, Half]:
    """The smallest square wave with which the tank still delivers a mean current, its frequency, its half period.

    At each frequency a drive delivers the current; the smallest of these is where regulation ends, at the gain's peak
    or at the controller's lowest frequency.

    Parameters
    ----------
    current : seen from the primary [A];  low : lowest frequency of the controller [Hz]

    Raises
    ------
    ArithmeticError : none was found
    """
    low = max(low, LEAST_ABOVE * tank.lower_resonance)
    high = max(tank.resonance, 1.1 * low)
    tried: list[Found] = []
    near = _nearest(_LOWEST, tank, current)

    def drive_at(frequency: float) -> float:
        nearest = min(tried, key=lambda one: abs(one.frequency - frequency), default=None)
        try:
            start = tank if nearest is None else nearest.tank
            state = -(periodic_half(tank, frequency) if nearest is None else nearest.half).end
            tried.append(_newton(start, current, frequency, state, drive=True))
        except ArithmeticError:
            return 2 * tank.drive  # as if it took that much: the search turns elsewhere
        return tried[-1].tank.drive

    if near is not None:
        with contextlib.suppress(ArithmeticError):
            at = min(max(near[0], low), high)
            tried.append(_newton(tank, current, at, near[1], drive=True))
    if not tried:
        # from the resonance down, so that each start is near the last
        for frequency in np.geomspace(high, low, COARSE):
            drive_at(float(frequency))
    if not tried:
        raise ArithmeticError("no drive delivers the current")
    best = min(tried, key=lambda one: one.tank.drive)
    around = math.sqrt(high / low) ** (2 / (COARSE - 1))
    minimize_scalar(
        drive_at, bounds=(max(low, best.frequency / around), min(high, best.frequency * around)), method="bounded",
        options={"xatol": FLAT * best.frequency, "maxiter": 8},
    )  # fmt: skip
    best = min(tried, key=lambda one: one.tank.drive)
    _LOWEST.append((tank, current, best))
    return best.tank.drive, best.frequency, best.half


def delivering(tank: Tank, current: float, frequency: float, before: list[Found]) -> Found:
    """The drive that delivers a current at a frequency: from where the last ones lead, from the last, from nothing."""
    if len(before) > 1:
        with contextlib.suppress(ArithmeticError):
            first, last = before
            ahead = math.log(frequency / last.frequency) / math.log(last.frequency / first.frequency)
            drive = last.tank.drive * (last.tank.drive / first.tank.drive) ** ahead
            state = last.half.end + ahead * (last.half.end - first.half.end)
            return _newton(replace(tank, drive=drive), current, frequency, -state, drive=True)
    if before:
        with contextlib.suppress(ArithmeticError):
            return _newton(before[-1].tank, current, frequency, -before[-1].half.end, drive=True)
    load = 8 / math.pi**2 * tank.reflected / current
    quality = math.sqrt(tank.series / tank.capacitance) / load
    gain = first_harmonic_gain(frequency / tank.resonance, tank.magnetising / tank.series, quality)
    start = replace(tank, drive=tank.reflected / gain)
    return _newton(start, current, frequency, -periodic_half(start, frequency).end, drive=True)
