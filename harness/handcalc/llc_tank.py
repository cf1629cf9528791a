"""The resonant tank of an LLC in the time domain: its modes, and the half period they make from a state.

Square wave v, series inductance L, series capacitance C, magnetising inductance M, the rectifiers' capacitance K across
it, and a rectifier that clamps it to a constant voltage. In each half period the rectifier conducts one way (P), the
other way (N) or not at all (O)::

    all:   L di/dt = v - R i - u - w,   M dm/dt = w,   C du/dt = i
    P, N:  w = +-W + r j + l dj/dt,  j = i - m -+ W / Q, until j is zero
    O:     K dw/dt = i - m - w / Q, until |w| reaches W
    O without K:  i = m,  w = M / (L + M) (v - R i - u), until |w| reaches W

i tank current, m magnetising current, u capacitor voltage about its mean, w across the magnetising inductance, j what
the rectifiers carry; W the output and the rectifier's threshold; r, l, K the secondary's resistances, strays,
capacitances seen from the primary; Q the core's loss, which damps the ring of idle rectifiers. Steps are exact
exponentials of each linear mode. Edges of the square wave take no time here.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray

STEPS, FINE_STEPS = 16, 128  # of a half period: while searching, and of one that figures are read off
LARGEST_TURN, VECTOR_TERMS = 2.0, 16  # up to such a turn a state alone is carried on by its series
LARGEST_SERIES, SERIES_TERMS = 8.0, 3.0  # turn up to which a crossing is sought on one series; terms for each of it
TERMS = 9  # of the exponential's series: a step turns the fastest tank by well under half a radian
LEAST_ACROSS = 1e-5  # of the tank's capacitance: less turns over within 0.3 % of half a resonant period
MOST_PIECES = 60  # of a half period, over its steps: more are no operation
IDLE_ANGLE, MOST_SPLIT = 1.0, 12  # of an idle ring in one step [rad]; a faster one is followed by its exponential alone
FIRST_SWING = 2 * math.pi  # of such a ring [rad]
MARKED = 1e-9  # of the clamp's voltage: nearer to it than this a state's rectifiers conduct
GRAZED = 1e-6  # of the clamp's voltage: so far below it rectifiers idle on that only grazed it


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

    late : for which the rectifiers conduct on after their current's zero, whatever its sign [s]

    A capacitance under ``LEAST_ACROSS`` is left out, and with it the core's loss, which is there to damp its ring.
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
    late: float = 0.0

    @property
    def rings(self) -> bool:
        """Whether idle rectifiers have a capacitance that is worth following."""
        return self.across > LEAST_ACROSS * self.capacitance

    @property
    def ringing(self) -> float:
        """Angular frequency at which the idle rectifiers' capacitance rings with the inductances [rad/s]."""
        parallel = self.series * self.magnetising / (self.series + self.magnetising)
        return 1 / math.sqrt(parallel * self.across)

    @property
    def divided(self) -> float:
        """Share of what drives the tank that lies across the magnetising inductance of idle rectifiers."""
        return self.magnetising / (self.series + self.magnetising)

    @property
    def core_current(self) -> float:
        """What the core draws while the rectifiers conduct, at the voltage they clamp it to [A]."""
        return self.reflected / self.core if self.rings else 0.0

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


class _Modes:
    """The linear modes of a tank in the states i, m, u, w, charge of the rectifiers, 1, with exponentials for steps.

    Where nothing rings, w of idle rectifiers follows from the others; it is carried along by its own derivative.
    """

    def __init__(self, tank: Tank, step: float) -> None:
        self.tank = tank
        self.step = {1: step, -1: step, 0: step}
        self.swing, self.swing_step = 0.0, step
        if tank.rings:  # perhaps many times faster than the tank resonates
            self.step[0] = step / min(max(1, math.ceil(step * tank.ringing / IDLE_ANGLE)), MOST_SPLIT)
            # its first swing, after which it has mostly begun to conduct again, is followed closely in any case
            self.swing, self.swing_step = FIRST_SWING / tank.ringing, min(self.step[0], IDLE_ANGLE / tank.ringing)
        self.rates = {1: self._conducting(1), -1: self._conducting(-1), 0: self._idle()}
        self.sizes = {mode: self._size(mode) for mode in self.rates}
        spans = [*self.step.items(), (0, self.swing_step)]
        self.whole = {(mode, span): exponential(self.rates[mode] * span) for mode, span in spans}

    def _size(self, mode: int) -> float:
        """How far a mode turns in a second [rad/s]; without scales of its states the rates' size says nothing of it."""
        scale = scales(self.tank)
        if mode == 0 and self.tank.rings:  # current and voltage of the ring go by its own impedance
            scale[3] = scale[0] / (self.tank.ringing * self.tank.across)
        rate = np.abs(self.rates[mode][:4, :4] * scale / scale[:, None])
        return float(np.max(np.sum(rate, axis=1)))

    def _driven(self) -> FloatArray:
        """Row of v - R i - u."""
        return np.array([-self.tank.resistance, 0.0, -1.0, 0.0, 0.0, self.tank.drive])

    def _idle(self) -> FloatArray:
        t, driven, rate = self.tank, self._driven(), np.zeros((6, 6))
        rate[2, 0] = 1 / t.capacitance
        if t.rings:
            rate[0] = driven / t.series
            rate[0, 3] = -1 / t.series
            rate[1, 3] = 1 / t.magnetising
            rate[3, [0, 1, 3]] = np.array([1.0, -1.0, -1 / t.core]) / t.across
        else:
            rate[0] = rate[1] = driven / (t.series + t.magnetising)
            rate[3] = -t.divided * (t.resistance * rate[0] + rate[2])
        return rate

    def _conducting(self, mode: int) -> FloatArray:
        t, driven, rate = self.tank, self._driven(), np.zeros((6, 6))
        rectified = np.array([1.0, -1.0, 0.0, 0.0, 0.0, -mode * t.core_current])
        # the voltage across the magnetising inductance, solved with the strays in it
        clamp = t.reflected_resistance * rectified
        clamp[5] += mode * t.reflected
        clamp = (clamp + t.stray / t.series * driven) / (1 + t.stray * (1 / t.series + 1 / t.magnetising))
        rate[0] = (driven - clamp) / t.series
        rate[1] = clamp / t.magnetising
        rate[2, 0] = 1 / t.capacitance
        rate[4] = mode * rectified
        return rate

    def rectified(self, mode: int, state: FloatArray) -> float:
        """What the rectifiers carry in a mode [A]; negative beyond its end."""
        return float(mode * (state[0] - state[1]) - self.tank.core_current) if mode else 0.0

    def margin(self, mode: int, state: FloatArray) -> float:
        """How far a mode is from its end; it ends where this falls through zero."""
        return self.rectified(mode, state) if mode else float(1 - abs(state[3]) / self.tank.reflected)

    def slope(self, mode: int, state: FloatArray) -> float:
        """How fast the margin changes [1/s or A/s]."""
        rate = self.rates[mode] @ state
        if mode == 0:
            return float(-math.copysign(rate[3], state[3] * rate[3]) / self.tank.reflected)
        return float(mode * (rate[0] - rate[1]))

    def begun(self, state: FloatArray) -> tuple[int, FloatArray]:
        """The mode a state is in, told by w, and the state in that mode."""
        tank = self.tank
        mode = 0 if abs(state[3]) < tank.reflected * (1 - MARKED) else int(math.copysign(1, state[3]))
        if mode and self.rectified(mode, state) < 0:
            mode = 0 if tank.rings else -mode
        if mode:
            state[3] = mode * tank.reflected
        return (mode, state) if mode or tank.rings else self.idled(0, state)

    def idled(self, ended: int, state: FloatArray) -> tuple[int, FloatArray]:
        """Mode and state where a conduction ended: without a ring w jumps, and may at once be clamped anew."""
        tank = self.tank
        state[1] = state[0] - ended * tank.core_current
        if tank.rings:
            return 0, state
        state[3] = tank.divided * float(self._driven() @ state)
        if abs(state[3]) < tank.reflected:
            return 0, state
        mode = int(math.copysign(1, state[3]))
        state[3] = mode * tank.reflected
        if mode == ended:  # it ended as it had begun, by a rounding
            state[3] *= 1 - GRAZED
            return 0, state
        return mode, state

    def clamped(self, state: FloatArray) -> tuple[int, FloatArray]:
        """Mode and state where idle rectifiers came to the clamp's voltage."""
        mode = int(math.copysign(1, state[3]))
        state[3] = mode * self.tank.reflected
        if self.tank.rings and self.margin(mode, state) <= 0 and self.slope(mode, state) <= 0:  # it only grazes
            mode = 0
            state[3] *= 1 - GRAZED
        return mode, state

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

    def series(self, mode: int, state: FloatArray, span: float) -> Callable[[float], tuple[float, float]] | None:
        """Margin of a mode and its slope over shares of a span, by the state's power series; None where that is long.

        Its terms fall below a rounding where there are as many as the turn has, three times over, and ``VECTOR_TERMS``.
        """
        turn = self.sizes[mode] * span
        if turn > LARGEST_SERIES:
            return None
        rate, term = self.rates[mode] * span, state
        powers = [float(state[3]) if mode == 0 else self.rectified(mode, state)]
        for order in range(1, VECTOR_TERMS + math.ceil(SERIES_TERMS * turn)):
            term = (rate @ term) / order
            powers.append(float(term[3]) if mode == 0 else mode * float(term[0] - term[1]))
        powers.reverse()

        def at(share: float) -> tuple[float, float]:
            value = slope = 0.0
            for power in powers:
                slope = slope * share + value
                value = value * share + power
            if mode:
                return value, slope
            return 1 - abs(value) / self.tank.reflected, -math.copysign(slope, value * slope) / self.tank.reflected

        return at

    def span(self, mode: int, lasted: float) -> float:
        """How far to step in a mode that has lasted for some time [s]."""
        return self.swing_step if mode == 0 and lasted < self.swing else self.step[mode]


@functools.lru_cache(maxsize=8)
def _modes(tank: Tank, step: float) -> _Modes:
    """Differences by state ask for the same modes many times over."""
    return _Modes(tank, step)


def scales(tank: Tank) -> FloatArray:
    """Sizes of the four states."""
    current = tank.drive / math.sqrt(tank.series / tank.capacitance)
    return np.array([current, current, tank.drive, tank.reflected])


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
    mode, state = modes.begun(np.append(begin, (0.0, 1.0)))
    times, states, carried, now, end = [0.0], [state], [modes.rectified(mode, state)], 0.0, 0.5 / frequency

    def keep(instant: float) -> None:
        times.append(instant)
        states.append(state)
        carried.append(modes.rectified(mode, state))

    since = now  # the mode began
    while now < end * (1 - 1e-12):
        whole = modes.span(mode, now - since)
        span = whole if end - now > 1.000001 * whole else end - now
        before, state = state, modes.after(mode, state, span)
        if modes.margin(mode, state) < 0:
            span = _crossing(modes, mode, before, span)
            state = modes.after(mode, before, span)
            if mode and tank.late and tank.rings:
                held = max(min(tank.late, end - now - span), 0.0)  # a half period that ends within ends the hold too
                keep(now + span)
                state, span = modes.after(mode, state, held), span + held
                keep(now + span)
                mode = 0
            else:
                mode, state = modes.idled(mode, state) if mode else modes.clamped(state)
            since = now + span
        now += max(span, 1e-9 * step)
        keep(now)
        if len(times) > MOST_PIECES * steps:
            raise ArithmeticError("the tank's rectifiers chatter")
    found, rectified = np.array(states), np.array(carried)
    clamped = found[:, 3] + np.sign(found[:, 3]) * tank.reflected_resistance * rectified
    return Half(np.array(times), found[:, 0], found[:, 1], found[:, 2], clamped, rectified, float(state[4]))


def _crossing(modes: _Modes, mode: int, state: FloatArray, span: float) -> float:
    """When a mode ends within a span [s]: Newton's method on its margin from the end, kept between the ends.

    From the end, since a mode that has just begun has no margin yet. The state over the span is a power series, made
    once; where the mode turns too far for that, it is followed by exponentials.
    """
    series = modes.series(mode, state, span)
    low, high = 0.0, span
    now = span
    for _ in range(40):
        if series is None:
            there = modes.after(mode, state, now)
            value, slope = modes.margin(mode, there), modes.slope(mode, there)
        else:
            value, slope = series(now / span)
            slope /= span
        if value >= 0:
            low = now
        else:
            high = now
        guess = now - value / slope if slope < 0 else low
        if high - low < 1e-12 * span or abs(guess - now) < 1e-10 * span:
            break
        now = guess if low < guess < high else 0.5 * (low + high)
    return now
