"""LLC converters by hand: the ideal tank in the time domain with all drops, and every metric read off its half period.

Drops: resistances of both sides as they are; a diode's curve by its tangent at the mean of a conducting half period; a
synchronous rectifier by its channel, body diodes by the share of the period they conduct. Edges of the bridge take no
time; what its capacitances take off the square wave is a factor. The rectifiers' capacitances stand as one across the
magnetising inductance while they idle. Light loads, where these carry a good part of the tank's current, are open by
more.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import cumulative_trapezoid

from harness.contracts import FloatArray
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.llc_search import lowest_drive, regulated
from harness.handcalc.llc_tank import Half, Tank
from harness.handcalc.output_network import Fed, direct
from harness.handcalc.outputs import output_metrics
from harness.handcalc.switching_gaps import Key, widened
from harness.handcalc.switching_waveform import Course, body_tangent, diode_tangent_of
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.llc import Params, across_winding, core_resistance, rectifier_capacitance
from netlists.stages.switching import Switch

TIME_DOMAIN = "ideal tank in the time domain, periodic by half-wave symmetry (own state equations), all drops in it"
CHARGE = "charge the tank's current moves in the dead time over that of the bridge's output capacitances"
IDEAL = "square wave without edges, the bridge's capacitance by a factor, one for all rectifiers"
FREQUENCY = Difference(-0.03, 0.03, IDEAL)
TANK_RMS = Difference(-0.03, 0.03, IDEAL)
TANK_PEAK = Difference(-0.04, 0.04, IDEAL)
AVERAGE = Difference(-0.02, 0.02, IDEAL)
FLUX = Difference(-0.03, 0.03, IDEAL)
BUS = Difference(-0.01, 0.02, "the drop of the other place of the leg")
BLOCKED = Difference(-0.02, 0.03, "median over a half period while the output ripples")
OVERSHOOT = Difference(-0.03, 0.8, "the strays' ringing is left out; at most it doubles what is blocked")
MARGIN = Difference(-0.1, 0.1, "the tank's current is taken as if the square wave had no edges")
DRAWN = Difference(-0.05, 0.05, IDEAL)
EDGES = "delay and lead as recorded, current of the half period within them"
BODY_TIME = Difference(-0.5, 2.0, "ramps of gates; a ring's intervals beside the main one count too")
BODY_LOSS = Difference(-0.6, 0.6, "a small current over a short time, its course by straight pieces")
FINE = 2000  # instants of a conduction, of which body diodes take a hundredth
BACK = Difference(-0.6, 0.6, "the channel closes by its gate's fall while the current reverses")
REVERSE = 0.02  # share of the rail's current that nobody would act on
CONDUCTS = 0.005  # of its peak: less current is none
LOWEST = Difference(-0.02, 0.03, IDEAL)
RIPPLE = Difference(-0.06, 0.06, IDEAL)
CAN = Difference(-0.05, 0.05, IDEAL)


@dataclass(frozen=True, slots=True)
class Solved:
    """The tank as lumped, the frequency that regulates [Hz], and the positive half period there."""

    tank: Tank
    frequency: float
    half: Half


def rectifier_drop(params: Params, current: float) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of the rectifiers one secondary current passes at once.

    Parameters
    ----------
    current : mean of a conducting half period through one place [A]
    """
    in_series = 1 if params.secondary == "centre_tapped" else 2
    if params.rectification == "synchronous" and params.synchronous is not None:
        part = params.synchronous
        waits = params.turn_on_delay + max(params.turn_off_lead, 0.0)
        share = min(2 * waits * resonance(params), 1.0)  # of a half period, about the resonance
        return (
            in_series * share * part.body_diode_voltage,
            in_series * params.synchronous.on_resistance / params.synchronous.parallel,
        )
    assert params.diode is not None  # checked by Params
    threshold, resistance = diode_tangent_of(params.diode, current)
    return in_series * threshold, in_series * resistance


def resonance(params: Params) -> float:
    """Of the tank's inductance and capacitors [Hz]."""
    total = sum(whole(bank) for bank in (*params.resonant, *params.split))
    return 1 / (2 * math.pi * math.sqrt(params.tank_inductance * total))


def lumped(params: Params, bus: float, output_current: float) -> Tank:
    """The stage as one ideal tank at a bus [V] and an output current [A]."""
    threshold, resistance = rectifier_drop(params, output_current / len(params.transformers))
    ratios = [(part, part.ideal_ratio(part.windings[0])) for part in params.transformers]
    banks = (*params.resonant, *params.split)
    in_path = 2 if params.bridge == "full" else 1
    return Tank(
        drive=bus if params.bridge == "full" else 0.5 * bus,
        series=params.tank_inductance,
        magnetising=sum(part.magnetising_inductance for part in params.transformers),
        capacitance=sum(whole(bank) for bank in banks),
        resistance=(
            params.tank_resistance
            + in_path * params.switch.on_resistance / params.switch.parallel
            + 1 / sum(bank.parallel / bank.series / bank.esr for bank in banks)
        ),
        reflected=sum(ratio * (params.output.voltage + threshold) for _, ratio in ratios),
        reflected_resistance=sum(ratio**2 * (part.windings[0].resistance + resistance) for part, ratio in ratios),
        stray=sum(ratio**2 * params.strays.loop_inductance for _, ratio in ratios),
        across=1 / sum(ratio**2 / across_winding(params) for _, ratio in ratios),
        core=sum(core_resistance(params, part) for part in params.transformers),
        late=max(-params.turn_off_lead, 0.0) if params.rectification == "synchronous" else 0.0,
    )


def whole(bank: Bank) -> float:
    """Capacitance of all pieces of a bank [F]."""
    return bank.capacitance * bank.parallel / bank.series


def ratio_sum(params: Params) -> float:
    """Ideal ratios of all transformers together: the output's voltage seen from the primary over itself."""
    return sum(part.ideal_ratio(part.windings[0]) for part in params.transformers)


def output_current(params: Params, condition: Condition) -> float:
    """Mean current of the output [A]."""
    return direct(params.output, condition).current


def solve(params: Params, condition: Condition) -> Solved:
    """The regulated tank; ArithmeticError where it is out of the controller's reach."""
    current = output_current(params, condition)
    tank = lumped(params, condition.line_voltage, current)
    wanted, reach = current / ratio_sum(params), (params.lowest_frequency, params.highest_frequency)
    _, half = regulated(tank, wanted, *reach)
    edged = replace(tank, drive=tank.drive * edge_share(params, condition.line_voltage, half))
    return Solved(tank, *regulated(edged, wanted, *reach))


def edge_share(params: Params, bus: float, half: Half) -> float:
    """First harmonic of the square wave with the edges the tank's current makes, over that without.

    sin(x) / x, x = pi f t: of a trapezoid whose edges take t. They end with the dead time at the latest.
    """
    span = np.linspace(0.0, params.dead_time, 40)
    moved = cumulative_trapezoid(-np.interp(span, half.time, half.current), span, initial=0)
    done = np.flatnonzero(moved >= needed_charge(params, bus))
    taken = float(span[done[0]]) if done.size else params.dead_time
    return float(np.sinc(0.5 * taken / float(half.time[-1])))


def solve_lowest(params: Params, condition: Condition) -> Solved:
    """The tank at the lowest bus it still regulates at, at that condition's load."""
    current = output_current(params, condition)
    tank = lumped(params, condition.line_voltage, current)
    drive, frequency, half = lowest_drive(tank, current / ratio_sum(params), params.lowest_frequency)
    return Solved(replace(tank, drive=drive), frequency, half)


def bus_of(params: Params, solved: Solved) -> float:
    """The bus a tank's drive stands for [V]."""
    return solved.tank.drive if params.bridge == "full" else 2 * solved.tank.drive


def mirrored(half: Half, values: FloatArray, sign: int) -> Course:
    """A course over the whole period from a positive half; ``sign`` -1: the second half is its negative."""
    time = np.concatenate((half.time, half.time + half.time[-1]))
    return Course(time, np.concatenate((values, sign * values)))


def mean_square(half: Half, values: FloatArray) -> float:
    """Mean square over the half period, exact for straight pieces."""
    first, last = values[:-1], values[1:]
    return float(np.sum(np.diff(half.time) * (first**2 + first * last + last**2))) / 3 / float(half.time[-1])


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of the steady state; subjects are the designators of the parameters and the output's name."""
    solved = solve(params, condition)
    light = _light(params, condition, solved)
    found = _tank_metrics(params, condition, solved, light)
    found |= _rectifier_metrics(params, condition, solved, light)
    more, cans = (widened(one, RINGING * light, LIGHT) for one in (RIPPLE, CAN))
    return found | output_metrics(params.output, condition, course(params, solved), more, cans)


HARD = 1.5  # soft-switching margin below which a turn-on may be hard
MOST_SPIKE = 30.0  # of the tank's peak: a hard turn-on is not told by hand


def course(params: Params, solved: Solved) -> Course:
    """What all rectifiers feed into the output over a period [A]."""
    return mirrored(solved.half, ratio_sum(params) * solved.half.rectified, 1)


def fed(params: Params, condition: Condition, index: int) -> Fed:
    """What the converter feeds into its output, of which it has one."""
    solved = solve(params, condition)
    return Fed(course(params, solved), left_open=RINGING * _light(params, condition, solved), reason=LIGHT)


RINGING = 3.0  # the strays ring with these capacitances at every begin of conduction, into the bank as well
LIGHT = "capacitances of switches and rectifiers carry a part of the tank's current here"


def _light(params: Params, condition: Condition, solved: Solved) -> float:
    """Charge of all capacitances in an edge over what the rectifiers carry in a half period, seen from the primary."""
    bus, ratio = condition.line_voltage, ratio_sum(params)
    bridge = 2 * params.switch.output_capacitance * params.switch.parallel * bus
    blocked = params.output.voltage * (2 if params.secondary == "centre_tapped" else 1)
    behind = 2 * rectifier_capacitance(params) * blocked * len(params.transformers) / ratio
    return (bridge + behind) / (solved.half.delivered * float(solved.half.time[-1]))


def _tank_metrics(params: Params, condition: Condition, solved: Solved, light: float) -> dict[Key, Expectation]:
    half, bus = solved.half, condition.line_voltage
    rms = math.sqrt(mean_square(half, half.current))
    peak = float(np.max(np.abs(half.current)))
    level = float(np.max(np.abs(half.voltage)))
    offset = 0.5 * bus if params.bridge == "half" else 0.0
    margin = soft_switching_margin(params, bus, half)

    def more(difference: Difference, share: float = 1.0) -> Difference:
        return widened(difference, share * light, LIGHT)

    found: dict[Key, Expectation] = {
        ("switching_frequency", params.output.name): Expectation(
            solved.frequency, "Hz", TIME_DOMAIN, more(FREQUENCY, 0.5)
        ),
        ("soft_switching_margin", params.switch.designator): Expectation(
            margin, "1", CHARGE, more(MARGIN), 0.15 * peak * params.dead_time / needed_charge(params, bus)
        ),
        ("input_ripple_current", "input"): Expectation(_drawn_rms(params, half), "A", TIME_DOMAIN, more(DRAWN), 0.01),
    }
    total = sum(whole(bank) for bank in (*params.resonant, *params.split))
    for bank in (*params.resonant, *params.split):
        found["resonant_capacitor_voltage_peak", bank.designator] = Expectation(
            (offset + level) / bank.series,
            "V",
            TIME_DOMAIN,
            more(TANK_PEAK, 1.5),  # a current's, and its frequency's
        )
        found["capacitor_current_rms", bank.designator] = Expectation(
            rms * whole(bank) / total / bank.parallel, "A", TIME_DOMAIN, more(TANK_RMS), 5e-3
        )
    for part in params.transformers:
        sharing = _magnetising_share(params, part.designator)
        swing = sharing * float(np.ptp(np.append(half.magnetising, -half.magnetising)))
        found["primary_current_peak", part.designator] = Expectation(peak, "A", TIME_DOMAIN, more(TANK_PEAK), 0.01)
        found["primary_current_rms", part.designator] = Expectation(rms, "A", TIME_DOMAIN, more(TANK_RMS), 0.01)
        found["magnetising_current_peak", part.designator] = Expectation(
            0.5 * swing, "A", TIME_DOMAIN, more(FLUX), 0.01
        )
        found["flux_linkage_swing", part.designator] = Expectation(
            swing * part.magnetising_inductance, "V s", TIME_DOMAIN, more(FLUX)
        )
    return found | _bridge_metrics(params, bus, half, more)


def _magnetising_share(params: Params, designator: str) -> float:
    """Magnetising current of one transformer over that of one with the mean ratio and inductance.

    Clamped to the same output, each builds up n V / L; only while the rectifiers idle is the current one.
    """
    mean = ratio_sum(params) / sum(part.magnetising_inductance for part in params.transformers)
    part = next(one for one in params.transformers if one.designator == designator)
    return part.ideal_ratio(part.windings[0]) / part.magnetising_inductance / mean


def soft_switching_margin(params: Params, bus: float, half: Half) -> float:
    """Charge the tank's current brings to a leg's middle in the dead time over what its two places need.

    The middle moves as soon as a place is off, so the square wave's edge lies at the dead time's begin.
    """
    span = np.linspace(0.0, params.dead_time, 40)
    return float(np.trapezoid(-np.interp(span, half.time, half.current), span)) / needed_charge(params, bus)


def needed_charge(params: Params, bus: float) -> float:
    """What both places of a leg hold at the bus [C]."""
    return 2 * params.switch.output_capacitance * params.switch.parallel * bus


def _drawn_rms(params: Params, half: Half) -> float:
    """RMS of the alternating part of the bus current: each half period anew (full bridge), or one of two (half)."""
    mean = float(np.trapezoid(half.current, half.time)) / float(half.time[-1])
    square = mean_square(half, half.current)
    if params.bridge == "half":
        mean, square = 0.5 * mean, 0.5 * square
    return math.sqrt(max(square - mean**2, 0.0))


def _bridge_metrics(params: Params, bus: float, half: Half, more: Callable[..., Difference]) -> dict[Key, Expectation]:
    """One piece of a bridge place: it carries the tank's current for half of the period."""
    part = params.switch
    square = 0.5 * mean_square(half, half.current)
    mean = 0.5 * float(np.trapezoid(half.current, half.time)) / float(half.time[-1])
    peak = float(np.max(np.abs(half.current)))
    margin = soft_switching_margin(params, bus, half)
    spike = Difference(
        -0.1, MOST_SPIKE, "where the charge falls short the turn-on discharges the capacitances through it"
    )
    return {
        ("switch_voltage_plateau", part.designator): Expectation(bus, "V", gaps.COURSE, BUS),
        ("switch_voltage_peak", part.designator): Expectation(bus, "V", gaps.COURSE, BUS),
        ("switch_current_peak", part.designator): Expectation(
            peak / part.parallel, "A", TIME_DOMAIN, spike if margin < HARD else more(TANK_PEAK), 0.02
        ),
        ("switch_current_average", part.designator): Expectation(
            mean / part.parallel, "A", TIME_DOMAIN, more(AVERAGE, 2.0), 0.02
        ),
        ("switch_current_rms", part.designator): Expectation(
            math.sqrt(square) / part.parallel, "A", TIME_DOMAIN, more(TANK_RMS), 0.02
        ),
    }


def _rectifier_metrics(params: Params, condition: Condition, solved: Solved, light: float) -> dict[Key, Expectation]:
    """One piece of a rectifier place, of the transformer that carries most."""
    half, part = solved.half, params.synchronous or params.diode
    assert part is not None  # checked by Params
    kind = "switch" if params.rectification == "synchronous" else "diode"
    ratio = max(one.ideal_ratio(one.windings[0]) for one in params.transformers)
    current = half.rectified * ratio / part.parallel
    mean = output_current(params, condition) / (2 * len(params.transformers) * part.parallel)
    blocked = params.output.voltage * (2 if params.secondary == "centre_tapped" else 1)
    threshold, resistance = rectifier_drop(params, output_current(params, condition) / len(params.transformers))
    in_series = 1 if params.secondary == "centre_tapped" else 2
    drop = (threshold + resistance * output_current(params, condition) / len(params.transformers)) / in_series
    more = [widened(one, light, LIGHT) for one in (AVERAGE, TANK_RMS, TANK_PEAK)]
    unequal = abs(ratio * len(params.transformers) / ratio_sum(params) - 1) + _spread(params)
    more = [widened(one, unequal, "transformers in series share unequally") for one in more]
    timed = _body_diode(params, half, part.parallel * current) if isinstance(part, Switch) else {}
    return timed | {
        (f"{kind}_voltage_plateau", part.designator): Expectation(blocked + drop, "V", gaps.COURSE, BLOCKED, 0.05),
        (f"{kind}_voltage_peak", part.designator): Expectation(blocked + drop, "V", gaps.COURSE, OVERSHOOT, 0.1),
        (f"{kind}_current_peak", part.designator): Expectation(float(np.max(current)), "A", TIME_DOMAIN, more[2], 0.02),
        (f"{kind}_current_average", part.designator): Expectation(mean, "A", TIME_DOMAIN, more[0], 0.02),
        (f"{kind}_current_rms", part.designator): Expectation(
            math.sqrt(0.5 * mean_square(half, current)), "A", TIME_DOMAIN, more[1], 0.02
        ),
    }


def _body_diode(params: Params, half: Half, current: FloatArray) -> dict[Key, Expectation]:
    """Time and loss of one piece's body diode: before the channel turns on, and after it turns off.

    Parameters
    ----------
    current : of a whole place over its half period [A]
    """
    part = params.synchronous
    assert part is not None  # the caller has one
    length = float(half.time[-1])
    ahead = half.current > half.magnetising  # what of a half period belongs to the rectifier that conducts in it
    time = np.concatenate((half.time, length + half.time))
    own = np.concatenate((np.where(ahead, current, 0.0), np.where(ahead, 0.0, current)))
    conducts = own > CONDUCTS * float(np.max(own))
    begin, end = float(time[conducts][0]), float(time[conducts][-1])
    fine = np.linspace(begin, end, FINE)
    back = ratio_sum(params) * max(-float(np.min(half.rectified)), 0.0)  # of all places together
    own = np.interp(fine, time, own)
    alone = np.where((fine < begin + params.turn_on_delay) | (fine > end - params.turn_off_lead), own, 0.0)
    threshold, slope = body_tangent(part, max(float(np.max(alone)), 0.1))
    loss = np.trapezoid(threshold * alone + slope * alone**2, fine) / (2 * length) / part.parallel
    share = (params.turn_on_delay + max(params.turn_off_lead, 0.0)) or 1e-9
    return {
        ("body_diode_time", part.designator): Expectation(share, "s", EDGES, BODY_TIME, 30e-9),
        ("body_diode_loss", part.designator): Expectation(float(loss), "W", EDGES, BODY_LOSS, 0.02),
        ("reverse_current_share", params.output.name): Expectation(
            back / params.output.load_current, "1", EDGES, BACK, REVERSE
        ),
        **gaps.counted(part.designator, EDGES),
    }


def _spread(params: Params) -> float:
    """How unequal the magnetising inductances of several transformers are."""
    values = [part.magnetising_inductance for part in params.transformers]
    return (max(values) - min(values)) / (sum(values) / len(values))


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where the search begins: in the middle of the positive half period.

    Parameters
    ----------
    frequency : [Hz];  bus : [V];  tank : its current [A];  magnetising : of each transformer [A]
    resonant : voltage from the foot to the return, to the bus [V];  peaks : of tank current [A] and voltage [V]
    winding : current of each conducting winding [A];  output : [V]
    """

    frequency: float
    bus: float
    tank: float
    magnetising: tuple[float, ...]
    resonant: tuple[float, float]
    peaks: tuple[float, float]
    winding: tuple[float, ...]
    output: float


def estimate(params: Params, condition: Condition, *, lowest: bool = False) -> Estimate:
    """The estimate at a condition's bus, or at the lowest bus that still regulates."""
    solved = solve_lowest(params, condition) if lowest else solve(params, condition)
    half, bus = solved.half, bus_of(params, solved)
    middle = 0.5 * float(half.time[-1])
    tank, magnetising, voltage = (
        float(np.interp(middle, half.time, values)) for values in (half.current, half.magnetising, half.voltage)
    )
    each = tuple(magnetising * _magnetising_share(params, part.designator) for part in params.transformers)
    offset = 0.5 * bus if params.bridge == "half" else 0.0
    return Estimate(
        solved.frequency, bus, tank, each, (offset + voltage, offset + voltage - bus),
        (float(np.max(np.abs(half.current))), float(np.max(np.abs(half.voltage)))),
        tuple((tank - one) * part.ideal_ratio(part.windings[0])
              for one, part in zip(each, params.transformers, strict=True)),
        params.output.voltage,
    )  # fmt: skip


def expect_lowest(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """The lowest bus at which the output still regulates."""
    solved = solve_lowest(params, condition)
    value = bus_of(params, solved)
    return {("lowest_input_voltage", params.output.name): Expectation(value, "V", TIME_DOMAIN, LOWEST)}
