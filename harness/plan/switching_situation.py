"""A buck or boost stage at one point under one condition, put as a periodic steady state with its estimates."""

from __future__ import annotations

from collections.abc import Sequence

from harness.contracts import Constraint, Control, Periodic
from harness.handcalc import boost_pfc as boost_hand
from harness.handcalc import buck as buck_hand
from harness.handcalc import output_network as network_hand
from harness.handcalc.switching_waveform import Estimate
from harness.simulate.case import Case, periodic_case
from netlists.periodic import State
from netlists.point import Condition
from netlists.stages import boost_pfc, buck
from netlists.stages.switching import Choke, choke_state_at

Chokes = dict[str, tuple[Choke, int]]  # tag of a phase -> its choke, place of its current in the estimate

SMALLEST_DUTY = 1e-3
AT_LIMIT = 0.98  # of its highest frequency: a boundary-mode controller that close to it is taken to stand there
FREQUENCY_REACH = 5.0  # a boundary-mode search may move its frequency by this factor either way
# Time steps a period: search and final. An idle choke's ringing would make the map uneven with fewer.
STEPS, IDLE_STEPS = (200, 200), (400, 600)
FAST_SCALE = 1.0  # of states that follow: only reported, never solved for


def buck_analysis(params: buck.Params, condition: Condition) -> Periodic:
    """The steady state of one or two buck rails: each duty holds its rail's mean."""
    estimate = buck_hand.estimate(params, condition)
    chokes = {tag: (rail.choke, place) for place, (tag, _, rail) in enumerate(buck.legs(params))}
    voltages = {tag: estimate.output_voltages[i] for i, tag in enumerate(buck.TAGS[: len(params.rails)])}
    states = buck.states(params, condition)
    gates, rectifiers = buck.gates(params, estimate.duties), buck.emulated(params, estimate.duties)
    on = {
        tag: gate.is_on(params.period, estimate.duties[index])
        for tag, index, _ in buck.legs(params)
        for gate in gates
        if gate.source.endswith(f"high_{tag}")
    }
    fast = _buck_fast(params.input_voltage, chokes, estimate, on)
    known: dict[str, tuple[float, float]] = {}
    for tag, rail in zip(buck.TAGS, params.rails, strict=False):
        known |= network_hand.estimates(rail.output, condition, tag)
    pairs = [
        known.get(state.unknown) or _estimated(state, estimate, chokes, voltages, params.input_voltage, fast)
        for state in states
    ]
    return Periodic(
        params.switching_frequency,
        tuple(
            Control("duty", duty, SMALLEST_DUTY, rail.largest_duty)
            for duty, rail in zip(estimate.duties, params.rails, strict=True)
        ),
        tuple(
            Constraint("mean", rail.output.regulated_node(buck.TAGS[index]), rail.voltage)
            for index, rail in enumerate(params.rails)
        ),
        gates,
        states,
        tuple(value for value, _ in pairs),
        tuple(scale for _, scale in pairs),
        *(IDLE_STEPS if any(rail.may_idle for rail in params.rails) else STEPS),
        *_symmetry(states, list(chokes), len(params.rails) == 1),
        rectifiers=rectifiers,
        surrogate=buck.SURROGATE if rectifiers else "",
    ).steered(None)


def boost_analysis(params: boost_pfc.Params, condition: Condition) -> Periodic:
    """The steady state of a corrector at an instant: its duty holds the bus, its frequency the idle time."""
    estimate = boost_hand.estimate(params, condition)
    chokes = {tag: (params.choke, place) for place, tag in enumerate(boost_pfc.tags(params))}
    states = boost_pfc.states(params)
    voltages = {"bus": params.bus_setpoint}
    duty = estimate.duties[0]
    gates = boost_pfc.gates(params, condition, duty)
    on = {tag: gate.is_on(1 / estimate.frequency, duty) for (tag, gate) in zip(chokes, gates, strict=True)}
    fast = _boost_fast(params.bus_setpoint, chokes, estimate, on)
    feed = boost_pfc.input_voltage(params, condition)
    pairs = [_estimated(state, estimate, chokes, voltages, feed, fast) for state in states]
    controls = [Control("duty", duty, SMALLEST_DUTY, params.largest_duty)]
    constraints = [Constraint("mean", "bus", params.bus_setpoint)]
    if params.mode == "boundary" and estimate.frequency < AT_LIMIT * params.switching_frequency:
        # at its highest frequency a boundary-mode controller waits, and the current idles longer: nothing to solve
        lowest, highest = estimate.frequency / FREQUENCY_REACH, params.switching_frequency / AT_LIMIT
        controls.append(Control("frequency", estimate.frequency, lowest, highest))
        vector = f"v.{boost_pfc.PREFIX}.vsense_choke_0#branch"
        constraints.append(Constraint("idle", vector, params.turn_on_delay))
    return Periodic(
        estimate.frequency,
        tuple(controls),
        tuple(constraints),
        gates,
        states,
        tuple(value for value, _ in pairs),
        tuple(scale for _, scale in pairs),
        *IDLE_STEPS,
        *_symmetry(states, list(chokes), len(controls) == 1),
    )


def _symmetry(states: Sequence[State], tags: Sequence[str], alike: bool) -> tuple[int, tuple[int, ...]]:
    """Parts of the period and order of the states: as many as phases, where these are alike and steered as one."""
    return (len(tags), rotation(states, tags)) if alike and len(tags) > 1 else (1, ())


def rotation(states: Sequence[State], tags: Sequence[str]) -> tuple[int, ...]:
    """State -> the state whose value it takes on one phase later: that of the next phase, its own where it has none.

    Parameters
    ----------
    tags : of equal phases in their order, such as ``a0``, ``a1``; a phase's devices end in its tag
    """
    places = {state.device: index for index, state in enumerate(states)}
    following = dict(zip(tags, [*tags[1:], tags[0]], strict=True))
    order = []
    for state in states:
        belongs_to = state.unknown.removeprefix("choke ") if state.unknown else state.place.rpartition(" ")[2]
        device = state.device
        if belongs_to in following:
            device = device.removesuffix(belongs_to) + following[belongs_to]
        order.append(places[device])
    return tuple(order)


def _estimated(
    state: State,
    estimate: Estimate,
    chokes: Chokes,
    voltages: dict[str, float],
    feed: float,
    fast: dict[str, float],
) -> tuple[float, float]:
    """Estimate and scale of a state by the unknown it belongs to, or by the place a fast one lies across."""
    what, *rest = state.unknown.split(" ") if state.unknown else ("",)
    if what == "feed":
        # at light load the feed carries little, and what moves it is the chokes' swing
        return estimate.feed_current, max(abs(estimate.feed_current), *estimate.choke_scales)
    if what == "input":
        return estimate.input_voltage, feed
    if what == "choke":
        choke, place = chokes[rest[0]]
        scale = choke_state_at(choke, estimate.choke_scales[place])
        return choke_state_at(choke, estimate.choke_currents[place]), scale
    if what in ("output", "probe", "bus"):
        level = voltages["bus" if what == "bus" else rest[1]]
        return level, level
    return fast.get(state.place, 0.0), FAST_SCALE


def _buck_fast(feed: float, chokes: Chokes, estimate: Estimate, on: dict[str, bool]) -> dict[str, float]:
    """Values of a buck's fast states by their place: the place that conducts has no voltage, the other the input's."""
    found: dict[str, float] = {}
    for tag, (_, index) in chokes.items():
        level = feed if on[tag] else 0.0
        found |= {f"high {tag}": feed - level, f"low {tag}": level, f"free {tag}": -level}
        found[f"loop {tag}"] = estimate.choke_currents[index] if on[tag] else 0.0
    return found


def _boost_fast(bus: float, chokes: Chokes, estimate: Estimate, on: dict[str, bool]) -> dict[str, float]:
    """Values of a corrector's fast states by their place."""
    found: dict[str, float] = {}
    for tag, (_, index) in chokes.items():
        level = 0.0 if on[tag] else bus
        found |= {f"low {tag}": level, f"free {tag}": level - bus}
        found[f"loop {tag}"] = 0.0 if on[tag] else -estimate.choke_currents[index]
    return found


def buck_case(params: buck.Params, condition: Condition) -> Case:
    """The case of a buck stage."""
    analysis = buck_analysis(params, condition)
    return periodic_case(buck.bench(params, condition), buck.probes(params, condition), analysis)


def boost_case(params: boost_pfc.Params, condition: Condition) -> Case:
    """The case of a corrector at its instant."""
    analysis = boost_analysis(params, condition)
    return periodic_case(boost_pfc.bench(params, condition), boost_pfc.probes(params), analysis)
