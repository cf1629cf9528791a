"""Rules on the label: powers, volt-amperes, rails and bands, and what the claims say beside them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from harness.judge.review_facts import EFFICIENCY, Facts
from harness.judge.review_rule import PRACTICE, Rule, Said, Severity, Usual, all_judged, judged, likely
from harness.judge.review_tables import LABEL_VOLTAGES, RAIL_VOLTAGES
from netlists.formulas import holdup_time
from netlists.quantity import engineering

NEAR = 0.006  # relative: a label's voltage is the one in the table
RAILS_OVER_BAND = (0.9, 1.1)  # sum of the rails' powers over the label's; labels round, and some rails share a sum
WIDEST = 3.6  # upper over lower end of one band; 85 to 300 V is made
ROUNDED = 0.01  # relative: what a label's rounding leaves
FAR_OFF = 1.6  # from which the two cannot be of one label
# output watts over volt-amperes at the band's lower end: efficiency times power factor, and makers' room on the current
WATTS_PER_VA = {True: (0.5, 0.97), False: (0.25, 0.75)}
BANDS_APART = 1.4  # largest ratio of two bands' volt-amperes a watt
CLAIM_OVER_ESTIMATE = {"holdup_time": (0.25, 1.45), "inrush_peak": (0.35, 4.0)}


def rails_against_power(facts: Facts) -> Iterator[Said]:
    """Volts times amperes of all rails against the label's power."""
    rails = {name: found for name in facts.record.data.nameplate.rails if (found := facts.rail(name)) is not None}
    for name, (volts, amps) in rails.items():
        if volts * amps > facts.power * RAILS_OVER_BAND[1]:
            own = tuple(f"nameplate.rails.{name}.{one}" for one in ("current", "voltage"))
            says = f"rail {name} alone is {volts * amps:.4g} W ({volts:g} V x {amps:g} A), the label {facts.power:g} W"
            yield Said("wrong", (*own, facts.power_path), says, _one_rail(facts, rails, name))
    if not rails or len(rails) < len(facts.record.data.nameplate.rails):
        return
    total = sum(volts * amps for volts, amps in rails.values())
    if abs(total / facts.power - 1) > ROUNDED:
        terms = " + ".join(f"{volts:g} V x {amps:g} A" for volts, amps in rails.values())
        says = f"the rails add up to {total:.4g} W ({terms}), the label says {facts.power:g} W"
        paths = [f"nameplate.rails.{name}.{one}" for name in rails for one in ("current", "voltage")]
        far = max(total / facts.power, facts.power / total) >= FAR_OFF
        suggestion = next(filter(None, (_one_rail(facts, rails, name) for name in rails)), "")
        near = RAILS_OVER_BAND[0] <= total / facts.power <= RAILS_OVER_BAND[1]
        severity: Severity = "note" if near else "wrong" if far else "doubtful"
        yield Said(severity, (*paths, facts.power_path), says, "" if near else suggestion)


def _one_rail(facts: Facts, rails: dict[str, tuple[float, float]], name: str) -> str:
    """The current of a rail that would make the sum right, where it is a slip of what is written."""
    others = sum(volts * amps for other, (volts, amps) in rails.items() if other != name)
    volts, amps = rails[name]
    for factor, why in ((0.1, "if a point was lost"), (10.0, "if a zero was lost"), (1e-3, "if it is milliampere")):
        total = others + volts * amps * factor
        if RAILS_OVER_BAND[0] <= total / facts.power <= RAILS_OVER_BAND[1]:
            return f"{name} {amps * factor:g} A, {why}"
    for other, (_, theirs) in rails.items():
        total = others - rails[other][0] * theirs + rails[other][0] * amps + volts * theirs
        if other != name and RAILS_OVER_BAND[0] <= total / facts.power <= RAILS_OVER_BAND[1]:
            return f"the currents of {name} and {other} exchanged"
    return ""


def watts_against_voltamperes(facts: Facts) -> Iterator[Said]:
    """Output watts over input volt-amperes of each band: an efficiency times a power factor."""
    ratios: dict[str, float] = {}
    for name, band in facts.bands.items():
        if band.current is None:
            continue
        place, volts, amps = f"nameplate.input_bands.{name}", band.voltage_low.nominal, band.current.nominal
        ratio = ratios[name] = band.output_power.nominal / (volts * amps)
        low, high = WATTS_PER_VA[facts.is_corrected or not facts.is_mains]
        if not low <= ratio <= high:
            makes = "more than it takes in" if ratio > 1 else "as efficiency times power factor"
            says = (
                f"band {name}: {band.output_power.nominal:g} W out of {volts:g} V x {amps:g} A = {volts * amps:.4g} VA "
                f"is {ratio:.0%}, {makes}; usual {low:.0%} to {high:.0%}"
            )
            paths = tuple(f"{place}.{one}" for one in ("current", "output_power", "voltage_low"))
            severity: Severity = "wrong" if ratio > 1 or ratio < low / 3 else "doubtful"
            suggestion = f"{volts * amps:.3g} W may be the input's volt-amperes" if abs(ratio - 1) < 0.02 else ""
            usual = Usual("", ratio, "1", low, high, {paths[0]: -1.0, paths[1]: 1.0})
            slip = next(iter(judged(facts, usual))).likely
            yield Said(severity, paths, says, suggestion or slip)
    if ratios and max(ratios.values()) / min(ratios.values()) > BANDS_APART:
        text = ", ".join(f"{name} {ratio:.0%}" for name, ratio in ratios.items())
        paths = tuple(f"nameplate.input_bands.{name}.{one}" for name in ratios for one in ("current", "output_power"))
        yield Said(
            "doubtful", paths, f"the bands' watts a volt-ampere are far apart: {text}", "rows of the label slipped"
        )


def label_voltage(facts: Facts) -> Iterator[Said]:
    """Ends of input ranges that no label has; a range wider than any mains, an unusual tolerance."""
    for name, band in facts.bands.items():
        place = f"nameplate.input_bands.{name}"
        for end in ("voltage_low", "voltage_high") if band.supply == "mains" else ():
            value = getattr(band, end).nominal
            if not any(abs(value / one - 1) < NEAR for one in LABEL_VOLTAGES):
                peak = next((one for one in LABEL_VOLTAGES if abs(value / math.sqrt(2) / one - 1) < NEAR), None)
                nearest = min(LABEL_VOLTAGES, key=lambda one: abs(one - value))
                suggestion = f"{peak:g} V, if it is the crest" if peak else f"{nearest:g} V"
                yield Said(
                    "doubtful", (f"{place}.{end}",), f"{end} of band {name} is {value:g} V, on no label", suggestion
                )
        low, high = band.voltage_low.nominal, band.voltage_high.nominal
        if band.supply == "mains" and high / low > WIDEST:
            says = (
                f"band {name} reaches from {low:g} to {high:g} V, {high / low:.2g} times; wide ranges reach 3.5 times"
            )
            yield Said("doubtful", (f"{place}.voltage_low", f"{place}.voltage_high"), says)
        tolerance = band.voltage_tolerance
        if tolerance is not None and not (0.04 <= tolerance.nominal <= 0.2 or tolerance.nominal == 0):
            says = f"band {name} has a voltage tolerance of {tolerance.nominal:.0%}; labels have 5 to 15 %"
            yield Said("doubtful", (f"{place}.voltage_tolerance",), says, "10 %")


def rail_voltage(facts: Facts) -> Iterator[Said]:
    """A rail of a voltage that supplies do not have."""
    for name, rail in facts.record.data.nameplate.rails.items():
        value = rail.voltage.nominal if rail.voltage else 0.0
        if value and not any(abs(value / one - 1) < NEAR for one in RAIL_VOLTAGES):
            nearest = min(RAIL_VOLTAGES, key=lambda one: abs(one - value))
            says = f"rail {name} is {value:g} V, an unusual voltage"
            yield Said("doubtful", (f"nameplate.rails.{name}.voltage",), says, f"{nearest:g} V")


def bands_order(facts: Facts) -> Iterator[Said]:
    """Of two bands the higher one needs less current a watt, and never gives less power."""
    known = [(name, one) for name, one in facts.bands.items() if one.current is not None]
    known.sort(key=lambda item: item[1].voltage_low.nominal)
    for (name, lower), (other, upper) in pairwise(known):
        place = [f"nameplate.input_bands.{one}" for one in (name, other)]
        if upper.voltage_low.nominal < lower.voltage_high.nominal:
            says = (
                f"bands {name} and {other} overlap: {lower.voltage_high.nominal:g} V, {upper.voltage_low.nominal:g} V"
            )
            yield Said("doubtful", (f"{place[0]}.voltage_high", f"{place[1]}.voltage_low"), says)
        if upper.output_power.nominal < lower.output_power.nominal * 0.99:
            says = f"band {other}, the higher, has less power than {name}"
            yield Said("doubtful", (f"{place[0]}.output_power", f"{place[1]}.output_power"), says, "powers exchanged")
        per_watt = [one.current.nominal / one.output_power.nominal for one in (lower, upper) if one.current]
        if per_watt[1] > per_watt[0] * 1.02:
            says = f"band {other}, the higher, takes more amperes a watt than {name}"
            yield Said("doubtful", (f"{place[0]}.current", f"{place[1]}.current"), says, "currents exchanged")


def condition_in_band(facts: Facts) -> Iterator[Said]:
    """A claim or measurement at a line voltage the label does not have."""
    for promise in facts.promises:
        path, voltage = promise.path, promise.line_voltage
        if voltage is None:
            continue
        inside = any(
            one.voltage_low.nominal * 0.85 <= voltage.nominal <= one.voltage_high.nominal * 1.15
            for one in facts.bands.values()
        )
        usual = any(abs(voltage.nominal / one - 1) < NEAR for one in LABEL_VOLTAGES) or path.startswith("measurements")
        if not inside or not usual:
            what = "outside every input band" if not inside else "no mains"
            peak = [one for one in LABEL_VOLTAGES if abs(voltage.nominal / math.sqrt(2) / one - 1) < NEAR]
            suggestion = f"{peak[0]:g} V, if it is the crest" if peak else ""
            says = f"{path.replace('.', ' ')} is at {voltage.nominal:g} V, {what}"
            yield Said("wrong" if not inside else "doubtful", (f"{path}.line_voltage",), says, suggestion)


def claim_against_parts(facts: Facts) -> Iterator[Said]:
    """Hold-up and inrush as claimed or measured, against the energy of the bulk and the resistance in series."""
    for promise in facts.promises:
        line, path, metric = promise.line_voltage, promise.path, promise.metric
        estimate = _estimate(facts, metric, line.nominal if line is not None else facts.line_high)
        promised = None if estimate is None else promise.value(estimate[1])
        if estimate is None or promised is None:
            continue
        value, unit, made_of = estimate
        low, high = CLAIM_OVER_ESTIMATE[metric]
        if not low <= promised / value <= high:
            says = (
                f"{path.replace('.', ' ')} is {engineering(promised, unit, 3)}, and the parts give some "
                f"{engineering(value, unit, 3)} by hand"
            )
            severity: Severity = "wrong" if promised / value > 5 * high or promised / value < low / 5 else "doubtful"
            usual = Usual("", promised / value, "1", low, high, made_of)
            yield Said(severity, (f"{path}.{promise.field}", *made_of), says, likely(facts, usual))


def _estimate(facts: Facts, metric: str, line: float) -> tuple[float, str, dict[str, float]] | None:
    """Value, unit, and the paths it is made of with the power in which each goes into the promise over it."""
    crest = line * math.sqrt(2)
    for name in facts.record.data.stages:
        cans = [one for one in facts.in_role("bulk") if one.stage == name]
        total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in cans)
        stop = facts.value(f"stages.{name}.holdup_end_voltage")
        if not cans or not total:
            continue
        if metric == "holdup_time" and stop:
            start = facts.value(f"stages.{name}.bus_setpoint") or crest
            power = facts.power / (facts.value(f"stages.{name}.converter_efficiency") or EFFICIENCY)
            made_of = {one.at("capacitance"): -1.0 for one in cans} | {f"stages.{name}.holdup_end_voltage": 0.0}
            value = holdup_time(total, 0.97 * start, stop, power)
            return (value, "s", made_of) if value else None
        if metric == "inrush_peak":
            held = [one for one in facts.in_role("inrush_limiter") if one.value("resistance_25")]
            if held:
                resistance = sum(one.value("resistance_25") or 0 for one in held)
                resistance += facts.value("line.resistance") or 0
                return crest / resistance, "A", {one.at("resistance_25"): 1.0 for one in held}
    return None


def rail_without_maker(facts: Facts) -> Iterator[Said]:
    """A rail of the label that no stage makes, where no stage is left that could."""
    missing = [name for name in facts.record.data.nameplate.rails if name not in facts.made_rails]
    converters = ("standby", "buck", "llc", "flyback", "two_switch_forward")
    spare = [
        name for name, stage in facts.record.data.stages.items()
        if getattr(stage, "kind", "") in converters and name not in facts.made_rails.values()
    ]  # fmt: skip
    if facts.made_rails and len(missing) > len(spare):
        says = f"no stage makes rail {', '.join(missing)}, and {len(spare) or 'no'} converter is left that could"
        yield Said("note", tuple(f"nameplate.rails.{name}" for name in missing), says)


def microfarads_a_watt(facts: Facts) -> Iterator[Said]:
    """Bulk capacitance a watt: with a corrector by hold-up alone, without one by the trough of the lowest line."""

    def numbers() -> Iterator[Usual]:
        cans = [held for held in facts.in_role("bulk") if held.value("capacitance")]
        total = sum((held.value("capacitance") or 0) * held.part.parallel / held.part.series for held in cans)
        if not cans or not facts.is_mains:
            return
        wide = facts.line_low < 150
        low, high = (0.35e-6, 2.6e-6) if facts.is_corrected else ((1.1e-6, 5e-6) if wide else (0.4e-6, 4e-6))
        made_of = {held.at("capacitance"): 1.0 for held in cans} | {facts.power_path: -1.0}
        counts = {held.path: held.part.parallel for held in cans}
        what = f"bulk of {engineering(total, 'F', 3)} for each of {facts.power:g} W"
        yield Usual(what, total / facts.power, "F", low, high, made_of, tuple(counts), counts, far=4)

    yield from all_judged(facts, numbers())


RULES = (
    Rule("rails_against_power", "volts times amperes of the rails add up to the label's power", "arithmetic",
         rails_against_power),
    Rule("watts_against_voltamperes", "no more comes out than goes in", "arithmetic; the usual range " + PRACTICE,
         watts_against_voltamperes),
    Rule("label_voltage", "voltages that labels have", PRACTICE, label_voltage),
    Rule("rail_voltage", "voltages that rails have", PRACTICE, rail_voltage),
    Rule("bands_order", "of two input bands the higher takes less current a watt", PRACTICE, bands_order),
    Rule("condition_in_band", "claims and measurements at a line the label has", "arithmetic", condition_in_band),
    Rule("claim_against_parts", "claims against energy and resistance of the parts", "energy balance; Ohm's law",
         claim_against_parts),
    Rule("rail_without_maker", "every rail has a stage that makes it", "the record itself", rail_without_maker),
    Rule("microfarads_a_watt", "bulk capacitance for its power", PRACTICE, microfarads_a_watt),
)  # fmt: skip
