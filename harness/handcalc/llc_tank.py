"""The resonant tank of an LLC in the time domain: its periodic state at a load, the frequency that brings it, its gain.

Square wave v, series inductance L, series capacitance C, magnetising inductance M, the rectifiers' capacitance K across
it, and a rectifier that clamps it to a constant voltage. In each half period the rectifier conducts one way (P), the
other way (N) or not at all (O)::

    all:   L di/dt = v - R i - u - w,   M dm/dt = w,   C du/dt = i
    P, N:  w = +-W + r (i - m) + l d(i - m)/dt, until i - m is zero
    O:     K dw/dt = i - m - w / Q, until |w| reaches W

i tank current, m magnetising current, u capacitor voltage about its mean, w across the magnetising inductance; W the
output and the rectifier's threshold; r, l, K the secondary's resistances, strays, capacitances seen from the primary; Q
the core's loss, which damps the ring of idle rectifiers. The periodic state is that of half-wave symmetry. Steps are
exact exponentials of each linear mode. Edges of the square wave take no time here.

The first-harmonic gain (Steigerwald, IEEE Trans. Power Electronics 3(2), 1988; from memory) stands beside it: right at
the series resonance alone, 4 % low at 0.8 of it and 15 % low at 0.6 (tests), so that it gives starts, never a metric.
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

STEPS, FINE_STEPS = 16, 128  # of a half period: while searching, and of one that figures are read off
LARGEST_TURN, VECTOR_TERMS = 2.0, 16  # up to such a turn a state alone is carried on by its series
TERMS = 9  # of the exponential's series: a step turns the fastest tank by well under half a radian
MOST_ITERATIONS = 40
CONVERGED = 1e-7  # of the unknowns, scaled
DIFFERENCE = 1e-5  # scaled
LARGEST_STEP = 0.1  # of state and frequency together, scaled
LEAST_ACROSS = 1e-5  # of the tank's capacitance: without any, the idle mode would have no end
MOST_PIECES = 60  # of a half period, over its steps: more are no operation
NEAR = 0.5  # in logarithms of drive, output, current and parts: a tank that far away is no start
FLAT = 1e-2  # of the frequency: the drive is flat about its smallest value
COARSE = 6  # frequencies looked at before the smallest drive is sought around the best of them
LEAST_ABOVE = 1.02  # of the resonance with idle rectifiers: below it no converter is operated
IDLE_ANGLE, MOST_SPLIT = 1.0, 12  # of an idle ring in one step [rad]; a faster one is followed by its exponential alone
FIRST_SWING = 2 * math.pi  # of such a ring [rad]
HALVINGS = (0.5, 0.42, 0.58) * 4  # of a range of frequencies, tried in turn
MOST_NEARER = 3  # of them begin Newton's method
MET, ALMOST = 3e-3, 0.1  # of the current: where halving ends, and what it must have come to
SETTLING = (12, 40, 200)  # half periods run before Newton's method, so that it starts near


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank and what it works between.

    Parameters
    ----------
    drive : amplitude of the square wave about its mean [V]
    series, magnetising [H], capacitance [F] : of the tank
    resistance : of the primary's path [ohm]
    reflected : voltage the rectifier clamps the magnetising inductance to [V]
    reflected_resistance : of the secondary's path, seen from the primary [ohm]
    stray : the secondary's inductance, seen from the primary [H]
    across : the rectifiers' capacitance, seen from the primary [F];  core : resistance of its loss [ohm]
    """

    drive: float
    series: float
    magnetising: float
    capacitance: float
    resistance: float
    reflected: float
    reflected_resistance: float
    stray: float = 0.0
    across: float = 0.0
    core: float = math.inf

    @property
    def ringing(self) -> float:
        """Angular frequency at which the idle rectifiers' capacitance rings with the inductances [rad/s]."""
        parallel = self.series * self.magnetising / (self.series + self.magnetising)
        return 1 / math.sqrt(parallel * self.least_across)

    @property
    def least_across(self) -> float:
        """The capacitance, or where there is none one so small that only the modes' ends know it [F]."""
        return max(self.across, LEAST_ACROSS * self.capacitance)

    @property
    def resonance(self) -> float:
        """Series resonance [Hz]."""
        return 1 / (2 * math.pi * math.sqrt(self.series * self.capacitance))

    @property
    def lower_resonance(self) -> float:
        """Resonance with the rectifier idle [Hz]."""
        return 1 / (2 * math.pi * math.sqrt((self.series + self.magnetising) * self.capacitance))


@dataclass(frozen=True, slots=True)
class Half:
    """A positive half period.

    Parameters
    ----------
    time : [s];  current, magnetising : of tank and magnetising inductance [A]
    voltage : of the capacitor about its mean [V];  clamped : across the magnetising inductance [V]
    rectified : what the rectifiers carry together, seen from the primary [A]; all of shape (n,)
    charge : of it over the half period [C]
    """

    time: FloatArray
    current: FloatArray
    magnetising: FloatArray
    voltage: FloatArray
    clamped: FloatArray
    rectified: FloatArray
    charge: float

    @property
    def delivered(self) -> float:
        """Mean of what the rectifiers carry [A]."""
        return self.charge / float(self.time[-1])

    @property
    def end(self) -> FloatArray:
        """The four states at the end."""
        return np.array([self.current[-1], self.magnetising[-1], self.voltage[-1], self.clamped[-1]])

    @property
    def ends_idle(self) -> bool:
        """Whether the rectifiers carry nothing at the end, so that all four states are free there."""
        return bool(self.rectified[-1] == 0)


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


class _Modes:
    """The linear modes of a tank in the states i, m, u, w, charge of the rectifiers, 1, with exponentials for steps."""

    def __init__(self, tank: Tank, step: float) -> None:
        self.tank = tank
        # an idle tank may ring many times faster than it resonates
        pieces = min(max(1, math.ceil(step * tank.ringing / IDLE_ANGLE)), MOST_SPLIT)
        self.step = {1: step, -1: step, 0: step / pieces}
        # its first swing, after which it has mostly begun to conduct again, is followed closely in any case
        self.swing, self.swing_step = FIRST_SWING / tank.ringing, min(self.step[0], IDLE_ANGLE / tank.ringing)
        self.rates = {mode: self._rate(mode) for mode in (1, -1, 0)}
        scale = np.append(_scales(tank), (1.0, 1.0))  # without it a rate's size says nothing of how far it turns
        sizes = {mode: np.abs(rate * scale / scale[:, None])[:4, :4] for mode, rate in self.rates.items()}
        self.sizes = {mode: float(np.max(np.sum(size, axis=1))) for mode, size in sizes.items()}
        spans = [*self.step.items(), (0, self.swing_step)]
        self.whole = {(mode, span): exponential(self.rates[mode] * span) for mode, span in spans}

    def _rate(self, mode: int) -> FloatArray:
        t = self.tank
        if mode == 0:
            first = [-t.resistance / t.series, 0.0, -1 / t.series, -1 / t.series, 0.0, t.drive / t.series]
            second = [0.0, 0.0, 0.0, 1 / t.magnetising, 0.0, 0.0]
            last = [1 / t.least_across, -1 / t.least_across, 0.0, -1 / t.least_across / t.core, 0.0, 0.0]
        else:
            # over the states: what drives the series inductance, and w solved with the strays in it
            driven = np.array([-t.resistance, 0.0, -1.0, 0.0, 0.0, t.drive])
            clamp = np.array([1.0, -1.0, 0.0, 0.0, 0.0, 0.0]) * t.reflected_resistance
            clamp[5] = mode * t.reflected
            whole = 1 + t.stray * (1 / t.series + 1 / t.magnetising)
            clamp = (clamp + t.stray / t.series * driven) / whole
            first, second = list((driven - clamp) / t.series), list(clamp / t.magnetising)
            last = [0.0] * 6
        third = [1 / t.capacitance, 0.0, 0.0, 0.0, 0.0, 0.0]
        return np.array([first, second, third, last, [mode, -mode, 0.0, 0.0, 0.0, 0.0], [0.0] * 6])

    def margin(self, mode: int, state: FloatArray) -> float:
        """How far a mode is from its end; it ends where this falls through zero."""
        if mode == 0:
            return float(1 - abs(state[3]) / self.tank.reflected)
        return float(mode * (state[0] - state[1]))

    def slope(self, mode: int, state: FloatArray) -> float:
        """How fast the margin changes [1/s or A/s]."""
        rate = self.rates[mode] @ state
        if mode == 0:
            return float(-math.copysign(rate[3], state[3] * rate[3]) / self.tank.reflected)
        return float(mode * (rate[0] - rate[1]))

    def after(self, mode: int, state: FloatArray, span: float) -> FloatArray:
        """The state some time later in one mode."""
        whole = self.whole.get((mode, span))
        if whole is not None:
            return np.asarray(whole @ state)
        if self.sizes[mode] * span > LARGEST_TURN:
            return np.asarray(exponential(self.rates[mode] * span) @ state)
        total, term, rate = state, state, self.rates[mode]
        for order in range(1, VECTOR_TERMS + 1):
            term = (rate @ term) * (span / order)
            total = total + term
        return np.asarray(total)

    def span(self, mode: int, lasted: float) -> float:
        """How far to step in a mode that has lasted for some time [s]."""
        return self.swing_step if mode == 0 and lasted < self.swing else self.step[mode]


@functools.lru_cache(maxsize=8)
def _modes(tank: Tank, step: float) -> _Modes:
    """Differences by state ask for the same modes many times over."""
    return _Modes(tank, step)


def exponential(matrix: FloatArray) -> FloatArray:
    """exp of a small matrix, by its series after halving and squared back."""
    size = float(np.max(np.sum(np.abs(matrix), axis=1)))
    halvings = max(0, math.ceil(math.log2(size)) + 1) if size > 0 else 0
    scaled = matrix / 2**halvings
    total = term = np.eye(matrix.shape[0])
    for order in range(1, TERMS + 1):
        term = term @ scaled / order
        total = total + term
    for _ in range(halvings):
        total = total @ total
    return total


def half_period(tank: Tank, begin: FloatArray, frequency: float, steps: int = STEPS) -> Half:
    """The positive half period from some state i, m, u, w."""
    step = 0.5 / frequency / steps
    modes = _modes(tank, step)
    state = np.append(begin, (0.0, 1.0))
    mode = 0 if abs(state[3]) < tank.reflected * (1 - 1e-9) else int(math.copysign(1, state[3]))
    if mode and mode * (state[0] - state[1]) < 0:
        mode = 0
    if mode:
        state[3] = mode * tank.reflected
    times, states, carried, now, end = [0.0], [state], [abs(state[0] - state[1]) if mode else 0.0], 0.0, 0.5 / frequency
    since = now  # the mode began
    while now < end * (1 - 1e-12):
        whole = modes.span(mode, now - since)
        span = whole if end - now > 1.000001 * whole else end - now
        after = modes.after(mode, state, span)
        if modes.margin(mode, after) < 0:
            span = _crossing(modes, mode, state, span)
            after = modes.after(mode, state, span)
            since = now + span
            if mode:
                after[1] = after[0]
                mode = 0
            else:
                mode = int(math.copysign(1, after[3]))
                after[3] = mode * tank.reflected
                if modes.margin(mode, after) <= 0 and modes.slope(mode, after) <= 0:  # it only grazes
                    mode = 0
                    after[3] *= 1 - 1e-6
        now, state = now + max(span, 1e-9 * step), after
        times.append(now)
        if len(times) > MOST_PIECES * steps:
            raise ArithmeticError("the tank's rectifiers chatter")
        states.append(state)
        carried.append(abs(float(state[0] - state[1])) if mode else 0.0)
    found, rectified = np.array(states), np.array(carried)
    clamped = found[:, 3] + np.sign(found[:, 3]) * tank.reflected_resistance * rectified
    return Half(np.array(times), found[:, 0], found[:, 1], found[:, 2], clamped, rectified, float(state[4]))


def _crossing(modes: _Modes, mode: int, state: FloatArray, span: float) -> float:
    """When a mode ends within a span [s]: Newton's method on its margin from the end, kept between the ends.

    From the end, since a mode that has just begun has no margin yet.
    """
    low, high = 0.0, span
    now = span
    for _ in range(40):
        there = modes.after(mode, state, now)
        value = modes.margin(mode, there)
        if value >= 0:
            low = now
        else:
            high = now
        slope = modes.slope(mode, there)
        guess = now - value / slope if slope < 0 else low
        if high - low < 1e-12 * span or abs(guess - now) < 1e-10 * span:
            break
        now = guess if low < guess < high else 0.5 * (low + high)
    return now


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
    for _ in range(MOST_ITERATIONS):
        half = half_period(tank, state, frequency)
        basis, state = _basis(tank, half, state)
        miss = _miss(half, state)
        slope = np.column_stack(
            [
                (_miss(half_period(tank, state + DIFFERENCE * column, frequency), state + DIFFERENCE * column) - miss)
                / DIFFERENCE
                for column in basis.T
            ]
        )
        step = _least(slope / _scales(tank)[:, None], miss / _scales(tank))
        size = max(float(np.max(np.abs(step))), 1e-12)
        state = state + min(1.0, 0.5 / size) * (basis @ step)
        if size < CONVERGED:
            return half_period(tank, state, frequency, FINE_STEPS)
    raise ArithmeticError(f"no periodic state of the tank found at {frequency:.4g} Hz")


def _miss(half: Half, state: FloatArray) -> FloatArray:
    """By how much a half period does not mirror its begin; a clamped voltage is no state of its own."""
    miss = half.end + state
    if not half.ends_idle:
        miss[3] = 0.0
    return miss


def _basis(tank: Tank, half: Half, state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The directions in which a state may move, scaled, and the state.

    Where the half period ends with the rectifiers carrying current, the voltage there is theirs; so it begins.
    """
    scales = _scales(tank)
    if half.ends_idle:
        return np.diag(scales), state
    clamped = -math.copysign(tank.reflected, half.clamped[-1])
    return np.diag(scales)[:, :3], np.array([*state[:3], clamped])


def _scales(tank: Tank) -> FloatArray:
    current = tank.drive / math.sqrt(tank.series / tank.capacitance)
    return np.array([current, current, tank.drive, tank.reflected])


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
class _Found:
    """A tank that delivers a current: at a frequency [Hz], and whether the current falls with it."""

    tank: Tank
    frequency: float
    half: Half
    falls: bool


Solved = tuple[Tank, float, _Found]  # a tank, the current wanted of it, what was found
# What was found last. A search begins at the nearest of these, which is where one at an input's other end mostly leads;
# what it comes to is told by its own equations to CONVERGED, wherever it began.
_REGULATED: deque[Solved] = deque(maxlen=24)
_LOWEST: deque[Solved] = deque(maxlen=24)


def _nearest(solved: Iterable[Solved], tank: Tank, current: float) -> tuple[float, FloatArray] | None:
    """Frequency [Hz] and state of the nearest tank solved before, carried over; None where none is near."""
    best, least = None, NEAR
    for other, carried, found in solved:
        away = max(
            abs(math.log(one / two))
            for one, two in (
                (tank.drive, other.drive), (tank.reflected, other.reflected), (current, carried),
                (tank.series, other.series), (tank.magnetising, other.magnetising),
                (tank.capacitance, other.capacitance), (tank.least_across, other.least_across),
            )
        )  # fmt: skip
        if away < least:
            best, least = (other, found), away
    if best is None:
        return None
    other, found = best
    state = -found.half.end * _scales(tank) / _scales(found.tank)
    return found.frequency * tank.resonance / other.resonance, state


def _newton(tank: Tank, current: float, frequency: float, state: FloatArray, *, drive: bool = False) -> _Found:
    """State and frequency, or drive, at which the half period mirrors and the rectifiers carry the current."""
    scale = np.append(_scales(tank), 1.0)
    factor = 1.0  # of the frequency or the drive

    def miss(start: FloatArray, by: float) -> tuple[FloatArray, Half]:
        half = half_period(_driven(tank, by) if drive else tank, start, frequency * (1.0 if drive else by))
        return np.append(_miss(half, start), half.delivered / current - 1) / scale, half

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
            return _Found(driven, at, half_period(driven, state, at, FINE_STEPS), falls)
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
    return best


def first_harmonic_curve(tank: Tank, current: float, frequencies: FloatArray) -> FloatArray:
    """First-harmonic gain at each frequency [Hz] where the rectifiers carry a mean current, seen from the primary."""
    load = 8 / math.pi**2 * tank.reflected / current
    quality = math.sqrt(tank.series / tank.capacitance) / load
    ratio = tank.magnetising / tank.series
    return np.array([first_harmonic_gain(float(one) / tank.resonance, ratio, quality) for one in frequencies])


def gain_curve(tank: Tank, current: float, frequencies: FloatArray) -> FloatArray:
    """Gain of the tank in the time domain: the clamped voltage over the square wave that delivers a current.

    At a frequency the current rises with the square wave, so that there is one gain on both sides of the peak. Sought
    from the highest frequency down, each from the one before. Without the core's loss the ring of idle rectifiers never
    dies, and below the resonance often no operation is found.

    Parameters
    ----------
    tank : of which every part but the drive counts;  current : the rectifiers' mean, seen from the primary [A]
    frequencies : in any order, shape (n,) [Hz]

    Returns
    -------
    gain at each frequency, shape (n,); nan where no operation was found
    """
    gains = np.full(len(frequencies), math.nan)
    found: list[_Found] = []
    for place in np.argsort(frequencies)[::-1]:
        with contextlib.suppress(ArithmeticError):
            found.append(_delivering(tank, current, float(frequencies[place]), found[-2:]))
            gains[place] = tank.reflected / found[-1].tank.drive
    return gains


def _delivering(tank: Tank, current: float, frequency: float, before: list[_Found]) -> _Found:
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
    gain = float(first_harmonic_curve(tank, current, np.array([frequency]))[0])
    start = replace(tank, drive=tank.reflected / gain)
    return _newton(start, current, frequency, -periodic_half(start, frequency).end, drive=True)


def first_harmonic_frequency(tank: Tank, current: float) -> float:
    """The frequency at which the first-harmonic gain is what the load needs, on the falling side [Hz]."""
    needed = tank.reflected / tank.drive
    grid = np.geomspace(4.0, 0.95 * tank.lower_resonance / tank.resonance, 200)
    gains = first_harmonic_curve(tank, current, grid * tank.resonance)
    top = int(np.argmax(gains))
    reaching = np.nonzero(gains[: top + 1] >= needed)[0]
    return float(grid[reaching[0] if reaching.size else top]) * tank.resonance


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
    tried: list[_Found] = []
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
