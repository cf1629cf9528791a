"""Ideal buck and boost stages in periodic steady state, exactly: piecewise linear, solved by matrix exponentials.

Between two edges every stage is linear: z' = M z, with z the choke currents, capacitor voltages, and a 1 at the end
for the sources. Over an interval z moves by expm(M t), the integral of z by an augmented matrix, that of z z^T by the
Kronecker sum of M with itself, so means and RMS are exact to rounding. A diode's end of conduction is a root. The
steady state is Newton's method on one period, its Jacobian the product of the transitions; an end of conduction
contributes a projection, since all but the choke's own slope is continuous there.

Left out: all that is not in ``Circuit``; no edge takes time. Shares nothing with the product.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from ideal_stage import Array, Circuit, Linear, Mode, Topology, linear
from scipy.linalg import expm
from scipy.optimize import brentq

SAMPLES = 200  # steps of each interval of the waveforms: a parabola's crest is then found to 1e-5 of its height
LOOKS = 32  # instants of an interval at which a diode's current is looked at for its end
CONVERGED = 1e-9  # last Newton step, scaled; the one before was its square root, and slow states round at 1e-11
NEWTON_STEPS, PATIENCE, PERIODS_BETWEEN = 30, 5, 50
SAME_INSTANT = 1e-12  # of a period: edges closer than this are one
DUTIES = np.concatenate(([1e-3], np.linspace(0.02, 0.98, 49)))  # tried until two have the target between them


@dataclass(frozen=True)
class Steady:
    """One period, from the first phase's turn-on. Every edge stands twice in ``time``, before and after its jump.

    Parameters
    ----------
    time : (n,) [s]; signals (n,) or (phases, n), capacitor currents (branches, n), into the branch
    input_current : out of the source;  input_capacitor_current : 0 where the input is stiff
    switch_currents, diode_currents : of each phase; the latter also where it is a synchronous switch
    idle_fraction : of the period the first phase is without current
    means, rms : exact, by signal name; of phase or branch k the name is such as ``choke_current_k``
    """

    duty: float
    time: Array
    choke_currents: Array
    output_voltage: Array
    capacitor_currents: Array
    input_voltage: Array
    input_current: Array
    input_capacitor_current: Array
    switch_currents: Array
    diode_currents: Array
    idle_fraction: float
    means: dict[str, float]
    rms: dict[str, float]


@dataclass(frozen=True)
class Interval:
    """A stretch of a period in which nothing switches, and z at its begin."""

    start: float
    duration: float
    modes: tuple[Mode, ...]
    linear: Linear
    begin: Array


def solve(topology: Topology, circuit: Circuit, *, duty: float | None = None, target: float | None = None) -> Steady:
    """The steady state at a duty, or at the lowest duty that gives a mean output voltage [V].

    Raises
    ------
    ValueError : not exactly one of the two given; target out of reach; no steady state found; a diode that would
        conduct again while its phase is idle, which is not modelled
    """
    if (duty is None) == (target is None):
        raise ValueError("give either a duty or a target")
    if target is not None:
        duty = _duty_for(topology, circuit, target)
    assert duty is not None
    if not 0 < duty < 1:
        raise ValueError(f"a duty lies between 0 and 1, found {duty:g}")
    intervals = _settle(topology, circuit, duty)
    for interval in intervals:
        _check_idle(topology, circuit, interval)
    return _steady(circuit, duty, intervals)


def _duty_for(topology: Topology, circuit: Circuit, target: float) -> float:
    def miss(duty: float) -> float:
        intervals = _settle(topology, circuit, duty)
        integral = sum(float(i.linear.rows["output_voltage"] @ _integral(i)) for i in intervals)
        return integral / circuit.period - target

    below = None
    for duty in DUTIES:
        if miss(float(duty)) >= 0:
            if below is None:
                break
            return float(brentq(miss, below, duty, xtol=1e-14, rtol=1e-13))
        below = float(duty)
    raise ValueError(f"a mean output of {target:g} V is out of reach")


# --- one period, and the state that repeats


def _settle(topology: Topology, circuit: Circuit, duty: float) -> list[Interval]:
    """Intervals of the period that ends where it begins."""
    state, scale = _guess(topology, circuit, duty)
    for _ in range(PATIENCE):
        for _ in range(NEWTON_STEPS):
            _, end, jacobian = _period(topology, circuit, duty, state)
            step = np.linalg.solve(np.eye(state.size) - jacobian, end - state)
            state = state + step
            if np.max(np.abs(step) / scale) < CONVERGED:
                return _period(topology, circuit, duty, state)[0]
        for _ in range(PERIODS_BETWEEN):  # Newton jumps to and fro between two orders of events: come nearer first
            state = _period(topology, circuit, duty, state)[1]
    raise ValueError(f"no steady state found at a duty of {duty:g}")


def _guess(topology: Topology, circuit: Circuit, duty: float) -> tuple[Array, Array]:
    """The lossless stage without ripple, in continuous conduction, and the size of each state."""
    ratio = duty if topology == "buck" else 1 / (1 - duty)
    voltage = ratio * circuit.input_voltage
    current = voltage / circuit.load_resistance
    per_phase = current * (1.0 if topology == "buck" else ratio) / circuit.phases
    swing = circuit.input_voltage * duty * circuit.period / circuit.inductance
    state = [per_phase] * circuit.phases + [voltage] * len(circuit.capacitors)
    scale = [per_phase + swing] * circuit.phases + [voltage] * len(circuit.capacitors)
    if circuit.feed:
        state += [current * ratio, circuit.input_voltage]
        scale += [current * ratio + swing, circuit.input_voltage]
    return np.array(state), np.array(scale)


def _period(topology: Topology, circuit: Circuit, duty: float, state: Array) -> tuple[list[Interval], Array, Array]:
    """Runs a period from a state: its intervals, the state at its end, and how that follows the first."""
    intervals: list[Interval] = []
    z, follows = np.append(state, 1.0), np.eye(state.size)
    modes: list[Mode] = ["free"] * circuit.phases
    for begin, end in pairwise(_instants(circuit, duty)):
        for phase in range(circuit.phases):
            if (0.5 * (begin + end) - phase / circuit.phases) % 1 < duty:
                modes[phase] = "on"
            elif modes[phase] == "on":
                modes[phase] = "free"
        now, left = begin * circuit.period, (end - begin) * circuit.period
        while left > 0:
            for phase, mode in enumerate(modes):
                if mode == "free" and not circuit.synchronous and z[phase] <= 0:
                    modes[phase] = "idle"
                if modes[phase] == "idle":
                    z[phase], follows[phase] = 0.0, 0.0
            system = linear(topology, circuit, tuple(modes))
            duration, ended = _next_end(circuit, system, modes, z, left)
            intervals.append(Interval(now, duration, tuple(modes), system, z.copy()))
            transition = expm(system.matrix * duration)
            z, follows = transition @ z, transition[:-1, :-1] @ follows
            now, left = now + duration, left - duration
            if ended is None:
                break
            z[ended] = 0.0
    return intervals, z[:-1], follows


def _instants(circuit: Circuit, duty: float) -> list[float]:
    """Edges of all phases as fractions of the period, 0 and 1 among them, each once."""
    edges = sorted((k / circuit.phases + d) % 1 for k in range(circuit.phases) for d in (0.0, duty))
    inner = [after for before, after in pairwise([0.0, *edges]) if after - before > SAME_INSTANT]
    return [0.0, *(edge for edge in inner if edge < 1 - SAME_INSTANT), 1.0]


def _next_end(circuit: Circuit, system: Linear, modes: list[Mode], z: Array, left: float) -> tuple[float, int | None]:
    """When the first diode ends within what is left of an interval, and its phase; otherwise all of it and None."""
    watched = [] if circuit.synchronous else [phase for phase, mode in enumerate(modes) if mode == "free"]
    if not watched:
        return left, None
    step = left / LOOKS
    transition = expm(system.matrix * step)
    for look in range(LOOKS):
        after = transition @ z
        found = [(_root(system.matrix, z, phase, step), phase) for phase in watched if after[phase] < 0]
        if found:
            first, phase = min(found)
            return look * step + first, phase
        z = after
    return left, None


def _root(matrix: Array, z: Array, phase: int, step: float) -> float:
    """Time from z to the zero of a current that is not below 0 now and is after the step."""

    def current(instant: float) -> float:
        return float((expm(matrix * instant) @ z)[phase])

    return float(brentq(current, 0.0, step, xtol=1e-15 * step, rtol=1e-14))


def _check_idle(topology: Topology, circuit: Circuit, interval: Interval) -> None:
    """ValueError where an idle diode, across a buck's output or from a boost's input to it, would conduct again."""
    if "idle" not in interval.modes:
        return
    rows = interval.linear.rows
    forward = (rows["input_voltage"] if topology == "boost" else 0.0) - rows["output_voltage"]
    if np.any(_sampled(interval)[1] @ forward > circuit.free_drop):
        raise ValueError("a diode would conduct again while its phase is idle; this is not modelled")


# --- figures


def _integral(interval: Interval) -> Array:
    """Integral of z over an interval, exact: the last column of the exponential of M with z beside it."""
    return _forced(interval.linear.matrix, interval.begin, interval.duration)


def _forced(matrix: Array, start: Array, duration: float) -> Array:
    size = start.size
    augmented = np.zeros((size + 1, size + 1))
    augmented[:size, :size], augmented[:size, size] = matrix, start
    return expm(augmented * duration)[:size, size]


def _integral_of_squares(interval: Interval) -> Array:
    """Integral of z z^T over an interval, exact: vec(z z^T)' = (M kron 1 + 1 kron M) vec(z z^T)."""
    matrix, size = interval.linear.matrix, interval.begin.size
    both = np.kron(matrix, np.eye(size)) + np.kron(np.eye(size), matrix)
    start = np.outer(interval.begin, interval.begin).ravel()
    return _forced(both, start, interval.duration).reshape(size, size)


def _sampled(interval: Interval) -> tuple[Array, Array]:
    """Times (n,) and z (n, size) of an interval, both its ends among them."""
    time = interval.start + np.linspace(0.0, interval.duration, SAMPLES + 1)
    transition = expm(interval.linear.matrix * interval.duration / SAMPLES)
    course = [interval.begin]
    for _ in range(SAMPLES):
        course.append(transition @ course[-1])
    return time, np.array(course)


def _figures(circuit: Circuit, intervals: list[Interval]) -> tuple[dict[str, float], dict[str, float]]:
    """Means and RMS of every signal."""
    integrals = [_integral(interval) for interval in intervals]
    squares = [_integral_of_squares(interval) for interval in intervals]
    means, rms = {}, {}
    for name in intervals[0].linear.rows:
        rows = [interval.linear.rows[name] for interval in intervals]
        means[name] = sum(float(r @ v) for r, v in zip(rows, integrals, strict=True)) / circuit.period
        square = sum(float(r @ w @ r) for r, w in zip(rows, squares, strict=True)) / circuit.period
        rms[name] = math.sqrt(max(square, 0.0))
    return means, rms


def _steady(circuit: Circuit, duty: float, intervals: list[Interval]) -> Steady:
    sampled = [_sampled(interval) for interval in intervals]
    signals = {
        name: np.concatenate([z @ i.linear.rows[name] for i, (_, z) in zip(intervals, sampled, strict=True)])
        for name in intervals[0].linear.rows
    }
    means, rms = _figures(circuit, intervals)
    time = np.concatenate([t for t, _ in sampled])

    def group(name: str, count: int) -> Array:
        return np.array([signals[f"{name}_current_{index}"] for index in range(count)]).reshape(count, time.size)

    return Steady(
        duty=duty,
        time=time,
        choke_currents=group("choke", circuit.phases),
        output_voltage=signals["output_voltage"],
        capacitor_currents=group("capacitor", len(circuit.capacitors)),
        input_voltage=signals["input_voltage"],
        input_current=signals["input_current"],
        input_capacitor_current=signals["input_capacitor_current"],
        switch_currents=group("switch", circuit.phases),
        diode_currents=group("diode", circuit.phases),
        idle_fraction=sum(i.duration for i in intervals if i.modes[0] == "idle") / circuit.period,
        means=means,
        rms=rms,
    )
