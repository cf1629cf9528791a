"""Rules on converters with a transformer: turns against rails, duty and gain in reach, resonance."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.handcalc.llc_search import first_harmonic_gain
from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Severity, Usual, all_judged
from harness.judge.review_seen import RECTIFIER_DROP, flyback_ratios, tank
from netlists.formulas import flyback_duty, resonant_frequency
from netlists.instances import Flyback, Isolated, Llc, TwoSwitchForward
from netlists.quantity import engineering

GAIN_POINTS = 60  # of the first-harmonic gain between the frequencies the controller sets
FIRST_HARMONIC_SHORT = 0.85  # what the first harmonic gives of the true gain at the least, about 0.6 of the resonance
NOMINAL_GAIN = (0.75, 1.35)


def isolated(facts: Facts, kind: type[Isolated]) -> Iterator[tuple[str, Isolated]]:
    """Converters of a kind by name."""
    return ((name, one) for name, one in facts.record.data.stages.items() if isinstance(one, kind))


def one_of(facts: Facts, stage: str, role: str) -> Held | None:
    """The first part of a stage in a role; None where the stage has no such role, or no part in it."""
    held = facts.in_stage(stage, role) if role in facts.record.data.stages[stage].ROLES else []
    return held[0] if held else None


def _turns(held: Held) -> tuple[str, ...]:
    """Where a ratio comes from: the turns, where it is inferred from them."""
    quantity = held.quantities.get("ratio")
    return (*quantity.of.values(), held.at("ratio")) if quantity is not None and quantity.of else (held.at("ratio"),)


def turns_against_rails(facts: Facts) -> Iterator[Said]:
    """The turns ratio that bus and rail need, by the kind of converter."""
    for name, stage in facts.record.data.stages.items():
        out, wound = facts.output(name, stage), one_of(facts, name, "transformer")
        ratio = wound.value("ratio") if wound else None
        if out is None or wound is None or not ratio:
            continue
        rail = f"nameplate.rails.{getattr(stage, 'rail', '')}.voltage"
        if isinstance(stage, Llc):
            yield from _llc_turns(facts, name, stage, out[0], rail)
        elif isinstance(stage, TwoSwitchForward):
            yield from _duty_said(facts, name, stage, wound, "forward", (out[0] + RECTIFIER_DROP) * ratio, rail)
        elif isinstance(stage, Flyback):
            yield from _duty_said(facts, name, stage, wound, "flyback", (out[0] + RECTIFIER_DROP) * ratio, rail)
            yield from _other_windings(facts, name, stage)


def _llc_turns(facts: Facts, name: str, stage: Llc, volts: float, rail: str) -> Iterator[Said]:
    wound = facts.in_stage(name, "transformer")
    ratio = sum(one.value("ratio") or 0.0 for one in wound)
    bus = facts.value(f"stages.{name}.input_voltage")
    if not bus:
        return
    share = {"half": 0.5, "full": 1.0}
    gains = {one: ratio * volts / (bus * share[one]) for one in stage.choices("bridge")}
    if any(NOMINAL_GAIN[0] <= gain <= NOMINAL_GAIN[1] for gain in gains.values()):
        return
    bridge, gain = next(iter(gains.items()))
    needed = bus * share[bridge] / volts
    says = (
        f"{name} needs a gain of {gain:.3g} at its nominal bus: ratio {ratio:.4g} x {volts:g} V over "
        f"{bus * share[bridge]:g} V of the {bridge} bridge; usual {NOMINAL_GAIN[0]:g} to {NOMINAL_GAIN[1]:g}"
    )
    likely, other = f"a ratio of some {needed:.3g}", {"half": "full", "full": "half"}[bridge]
    if NOMINAL_GAIN[0] <= gain * share[bridge] / share[other] <= NOMINAL_GAIN[1]:
        likely += f", or a {other} bridge"
    if NOMINAL_GAIN[0] <= volts / ratio / (bus * share[bridge]) <= NOMINAL_GAIN[1]:
        likely = "primary and secondary turns exchanged"
    paths = [path for one in wound for path in _turns(one)]
    severity: Severity = "wrong" if not 0.5 <= gain <= 2 else "doubtful"
    yield Said(severity, (*paths, f"stages.{name}.bridge", rail, f"stages.{name}.input_voltage"), says, likely)


def _duty_said(
    facts: Facts, name: str, stage: Isolated, wound: Held, kind: str, reflected: float, rail: str
) -> Iterator[Said]:
    """Duty by volts and turns: within the controller's largest at the lowest bus, and not tiny at the nominal one."""
    low, middle = facts.value(f"stages.{name}.input_voltage_low"), facts.value(f"stages.{name}.input_voltage")
    most = facts.record.quantities.get(f"stages.{name}.largest_duty")
    if not low or not middle or most is None:
        return
    duties = [reflected / one if kind == "forward" else flyback_duty(one, reflected) for one in (low, middle)]
    paths = (*_turns(wound), rail, f"stages.{name}.largest_duty", f"stages.{name}.input_voltage_low")
    volts = f"{engineering(reflected, 'V', 3)} at the primary"
    if duties[0] > most.high:
        says = (
            f"{name} needs a duty of {duties[0]:.3g} at its lowest bus of {low:g} V ({volts}), and its largest is "
            f"{most.nominal:g}"
        )
        yield Said(
            "wrong" if duties[0] > 1.15 * most.high else "doubtful", paths, says, "fewer primary turns a secondary turn"
        )
    least = 0.15 if kind == "forward" else 0.1
    if duties[1] < least:
        says = (
            f"{name} needs a duty of {duties[1]:.3g} at its nominal bus of {middle:g} V ({volts}); usual over {least:g}"
        )
        turned = "primary and secondary turns exchanged" if (wound.value("ratio") or 1) < 1 else "more primary turns"
        yield Said("wrong" if duties[1] < least / 3 else "doubtful", paths, says, turned)


def _other_windings(facts: Facts, name: str, stage: Flyback) -> Iterator[Said]:
    """Further rails follow the regulated one by their turns."""
    ratios = flyback_ratios(facts, name, stage)
    main = facts.rail(stage.rail)
    for rail, (ratio, path) in ratios.items():
        at = facts.rail(rail)
        if rail != stage.rail and at and main and stage.rail in ratios:
            expected = (main[0] + RECTIFIER_DROP) * ratios[stage.rail][0] / ratio - RECTIFIER_DROP
            if not 0.75 <= expected / at[0] <= 1.35:
                says = f"by its turns rail {rail} would be {expected:.3g} V, the label says {at[0]:g} V"
                yield Said("doubtful", (path, f"nameplate.rails.{rail}.voltage"), says)


def winding_counts(facts: Facts) -> Iterator[Said]:
    """More turns on the secondary than on the primary of a converter that steps down."""
    for held in facts.of_kind("transformer"):
        primary, secondary = held.value("primary_turns"), held.value("secondary_turns")
        stage = facts.record.data.stages[held.stage]
        out, given = (
            facts.output(held.stage, stage),
            facts.input_of(held.stage) if isinstance(stage, Isolated) else None,
        )
        if primary and secondary and out and given and primary < secondary and out[0] < given[1] / 2:
            says = (
                f"{held.designator} has {primary:g} turns to {secondary:g} and steps {given[1]:g} V down to "
                f"{out[0]:g} V"
            )
            yield Said("wrong", (held.at("primary_turns"), held.at("secondary_turns")), says, "turns exchanged")


def transformer_figures(facts: Facts) -> Iterator[Said]:
    """Leakage over the primary's inductance; resistance ratio of the windings against the turns."""

    def numbers() -> Iterator[Usual]:
        spans: dict[type, tuple[float, float]] = {TwoSwitchForward: (2e-4, 0.03), Flyback: (2e-3, 0.08)}
        for name, stage in facts.record.data.stages.items():
            held = one_of(facts, name, "transformer")
            whole, leaked = (held.value(one) if held else None for one in ("primary_inductance", "leakage_inductance"))
            ratio = held.value("ratio") if held else None
            if held is None or not whole or not leaked:
                continue
            span = next((spans[kind] for kind in spans if isinstance(stage, kind)), None)
            if isinstance(stage, Llc):
                span = (0.005, 0.12) if one_of(facts, name, "series_inductor") else (0.04, 0.45)
            if span is not None:
                made_of = {held.at("leakage_inductance"): 1.0, held.at("primary_inductance"): -1.0}
                yield Usual(
                    f"leakage of {held.designator} over its inductance", leaked / whole, "1", *span, made_of, far=4
                )
            both = [held.value(one) for one in ("primary_resistance", "secondary_resistance")]
            if ratio and None not in both and both[1]:
                what = f"primary resistance of {held.designator} over the square of its ratio, over the secondary's,"
                made_of = {held.at("primary_resistance"): 1.0, held.at("secondary_resistance"): -1.0}
                value = (both[0] or 0.0) / ratio**2 / both[1]
                yield Usual(what, value, "1", 0.1, 8.0, made_of, _turns(held), far=5)

    yield from all_judged(facts, numbers())


# --- resonance and gain


def resonance_in_range(facts: Facts) -> Iterator[Said]:
    """The series resonance lies between the frequencies the controller sets, and the range is one it can set."""
    for name, _ in isolated(facts, Llc):
        found = tank(facts, name)
        low, high = (facts.value(f"stages.{name}.{one}_frequency") for one in ("lowest", "highest"))
        frequencies = (f"stages.{name}.lowest_frequency", f"stages.{name}.highest_frequency")
        if low and high and not 1.4 <= high / low <= 6.5:
            says = (
                f"{name} goes from {engineering(low, 'Hz', 3)} to {engineering(high, 'Hz', 3)}, {high / low:.3g} times"
            )
            yield Said("doubtful", frequencies, f"{says}; usual 1.4 to 6.5 times")
        if found is None or not low or not high:
            continue
        series, capacitance, magnetising = found
        at = resonant_frequency(series, capacitance)
        made_of = _tank_paths(facts, name)
        if not 1.05 * low <= at <= 0.9 * high:
            says = (
                f"{name} resonates at {engineering(at, 'Hz', 3)} ({engineering(series, 'H', 3)}, "
                f"{engineering(capacitance, 'F', 3)}), its controller sets {engineering(low, 'Hz', 3)} to "
                f"{engineering(high, 'Hz', 3)}"
            )
            far = at < low / 1.3 or at > high
            yield Said("wrong" if far else "doubtful", (*made_of, *frequencies), says, _tank_likely(at, low, high))
        numbers = [Usual(f"magnetising over resonant inductance of {name}", magnetising / series, "1", 1.8, 14,
                         dict.fromkeys(made_of[:1], 1.0), made_of, far=2.5)]  # fmt: skip
        numbers += [Usual(f"resonance of {name} over its lowest frequency", at / low, "1", 1.1, 3.5,
                          {frequencies[0]: -1.0}, made_of, far=2)]  # fmt: skip
        yield from all_judged(facts, numbers)


def _tank_paths(facts: Facts, name: str) -> tuple[str, ...]:
    fields = {"transformer": ("leakage_inductance", "primary_inductance"), "series_inductor": ("inductance",),
              "resonant_capacitor": ("capacitance",), "split_capacitor": ("capacitance",)}  # fmt: skip
    held = [(one, fields[role]) for role in fields for one in facts.in_stage(name, role)]
    return tuple(one.at(field) for one, names in held for field in names) + tuple(
        one.path for one, _ in held if one.part.parallel > 1
    )


def _tank_likely(at: float, low: float, high: float) -> str:
    for factor, why in ((1e3, "too large"), (1e-3, "too small")):
        if low <= at * math.sqrt(factor) <= high:
            return f"an inductance or a capacitance one prefix {why}"
    for factor, why in ((10.0, "too large"), (0.1, "too small")):
        if low <= at * math.sqrt(factor) <= high:
            return f"an inductance or a capacitance ten times {why}"
    return ""


def gain_in_reach(facts: Facts) -> Iterator[Said]:
    """The highest gain between the controller's frequencies against what the lowest bus needs, by first harmonic."""
    for name, stage in isolated(facts, Llc):
        assert isinstance(stage, Llc)  # as asked for
        found, out = tank(facts, name), facts.output(name, stage)
        low, high = (facts.value(f"stages.{name}.{one}_frequency") for one in ("lowest", "highest"))
        bus, wound = facts.value(f"stages.{name}.input_voltage_low"), facts.in_stage(name, "transformer")
        ratio = sum(one.value("ratio") or 0.0 for one in wound)
        if found is None or out is None or not low or not high or not bus or not ratio or found[2] <= 0:
            continue
        series, capacitance, magnetising = found
        at = resonant_frequency(series, capacitance)
        load = 8 * ratio**2 * out[0] / out[1] / math.pi**2
        quality = math.sqrt(series / capacitance) / load
        grid = [low * (high / low) ** (step / GAIN_POINTS) for step in range(GAIN_POINTS + 1)]
        reached = max(first_harmonic_gain(one / at, magnetising / series, quality) for one in grid)
        needed = min(ratio * out[0] / (bus * share) for share in _shares(stage))
        if needed > reached / FIRST_HARMONIC_SHORT:
            says = (
                f"{name} needs a gain of {needed:.3g} at its lowest bus of {bus:g} V and reaches {reached:.3g} by "
                f"first harmonic between {engineering(low, 'Hz', 3)} and {engineering(high, 'Hz', 3)} "
                f"(quality {quality:.2g})"
            )
            made_of = (*_tank_paths(facts, name), f"stages.{name}.input_voltage_low", f"stages.{name}.lowest_frequency")
            turns = tuple(path for one in wound for path in _turns(one))
            yield Said("doubtful", (*made_of, *turns), says)


def _shares(stage: Llc) -> list[float]:
    return [0.5 if one == "half" else 1.0 for one in stage.choices("bridge")]


RULES = (
    Rule("turns_against_rails", "the turns ratio that bus and rail need", "volt-second balance", turns_against_rails),
    Rule("winding_counts", "turns of a converter that steps down", "volt-second balance", winding_counts),
    Rule("transformer_figures", "leakage and resistances of a transformer", PRACTICE, transformer_figures),
    Rule("resonance_in_range", "the resonance between the frequencies set", "1 / (2 pi sqrt(L C)); room " + PRACTICE,
         resonance_in_range),
    Rule("gain_in_reach", "the gain the lowest bus needs", "Steigerwald 1988, first harmonic, from memory",
         gain_in_reach),
)  # fmt: skip
