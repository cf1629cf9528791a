"""Rules on converters: turns against rails, duty and gain in reach, resonance, chokes, what feeds what."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from harness.handcalc.llc_search import first_harmonic_gain
from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Usual, all_judged
from harness.judge.review_seen import RECTIFIER_DROP, flyback_ratios, tank
from netlists.formulas import boost_ripple, buck_ripple, flyback_duty, resonant_frequency
from netlists.instances import BoostPfc, Buck, Flyback, Isolated, Llc, RectifierBulk, TwoSwitchForward
from netlists.quantity import engineering

GAIN_POINTS = 60  # of the first-harmonic gain between the frequencies the controller sets
FIRST_HARMONIC_SHORT = 0.85  # what the first harmonic gives of the true gain at the least, about 0.6 of the resonance
NOMINAL_GAIN = (0.75, 1.35)


def _isolated(facts: Facts, kind: type[Isolated]) -> Iterator[tuple[str, Isolated]]:
    return ((name, one) for name, one in facts.record.data.stages.items() if isinstance(one, kind))


def _one(facts: Facts, stage: str, role: str) -> Held | None:
    held = facts.in_stage(stage, role) if role in facts.record.data.stages[stage].ROLES else []
    return held[0] if held else None


def _turns(held: Held) -> tuple[str, ...]:
    """Where a ratio comes from: the turns, where it is inferred from them."""
    quantity = held.quantities.get("ratio")
    return (*quantity.of.values(), held.at("ratio")) if quantity is not None and quantity.of else (held.at("ratio"),)


def turns_against_rails(facts: Facts) -> Iterator[Said]:
    """The turns ratio that bus and rail need, by the kind of converter."""
    for name, stage in facts.record.data.stages.items():
        out, wound = facts.output(name, stage), _one(facts, name, "transformer")
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
    likely = f"a ratio of some {needed:.3g}"
    if NOMINAL_GAIN[0] <= gain * (2 if bridge == "full" else 0.5) <= NOMINAL_GAIN[1]:
        likely = f"a {'half' if bridge == 'full' else 'full'} bridge" if bridge == "half" else "a half bridge"
    if NOMINAL_GAIN[0] <= volts / ratio / (bus * share[bridge]) <= NOMINAL_GAIN[1]:
        likely = "primary and secondary turns exchanged"
    paths = [path for one in wound for path in _turns(one)]
    severity = "wrong" if not 0.5 <= gain <= 2 else "doubtful"
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
        yield Said("wrong" if duties[0] > 1.15 * most.high else "doubtful", paths, says, "fewer primary turns a secondary turn")
    least = 0.15 if kind == "forward" else 0.1
    if duties[1] < least:
        says = f"{name} needs a duty of {duties[1]:.3g} at its nominal bus of {middle:g} V ({volts}); usual over {least:g}"
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
        out, given = facts.output(held.stage, stage), facts.input_of(held.stage) if isinstance(stage, Isolated) else None
        if primary and secondary and out and given and primary < secondary and out[0] < given[1] / 2:
            says = f"{held.designator} has {primary:g} turns to {secondary:g} and steps {given[1]:g} V down to {out[0]:g} V"
            yield Said("wrong", (held.at("primary_turns"), held.at("secondary_turns")), says, "turns exchanged")


def transformer_figures(facts: Facts) -> Iterator[Said]:
    """Leakage over the primary's inductance; resistance ratio of the windings against the turns."""

    def numbers() -> Iterator[Usual]:
        spans = {TwoSwitchForward: (2e-4, 0.03), Flyback: (2e-3, 0.08)}
        for name, stage in facts.record.data.stages.items():
            held = _one(facts, name, "transformer")
            whole, leaked = (held.value(one) if held else None for one in ("primary_inductance", "leakage_inductance"))
            ratio, both = (held.value("ratio") if held else None), ()
            if held is None or not whole or not leaked:
                continue
            span = spans.get(type(stage))  # type: ignore[call-overload]
            if isinstance(stage, Llc):
                span = (0.005, 0.12) if _one(facts, name, "series_inductor") else (0.04, 0.45)
            if span is not None:
                made_of = {held.at("leakage_inductance"): 1.0, held.at("primary_inductance"): -1.0}
                yield Usual(f"leakage of {held.designator} over its inductance", leaked / whole, "1", *span, made_of, far=4)
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
    for name, stage in _isolated(facts, Llc):
        found = tank(facts, name)
        low, high = (facts.value(f"stages.{name}.{one}_frequency") for one in ("lowest", "highest"))
        frequencies = (f"stages.{name}.lowest_frequency", f"stages.{name}.highest_frequency")
        if low and high and not 1.4 <= high / low <= 12:
            says = f"{name} goes from {engineering(low, 'Hz', 3)} to {engineering(high, 'Hz', 3)}, {high / low:.3g} times"
            yield Said("doubtful", frequencies, f"{says}; usual 1.4 to 12 times")
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
    for name, stage in _isolated(facts, Llc):
        assert isinstance(stage, Llc)  # as asked for
        found, out = tank(facts, name), facts.output(name, stage)
        low, high = (facts.value(f"stages.{name}.{one}_frequency") for one in ("lowest", "highest"))
        bus, wound = facts.value(f"stages.{name}.input_voltage_low"), facts.in_stage(name, "transformer")
        ratio = sum(one.value("ratio") or 0.0 for one in wound)
        if found is None or out is None or not low or not high or not bus or not ratio or low >= high:
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
                f"{name} needs a gain of {needed:.3g} at its lowest bus of {bus:g} V and reaches {reached:.3g} by first "
                f"harmonic between {engineering(low, 'Hz', 3)} and {engineering(high, 'Hz', 3)} (quality {quality:.2g})"
            )
            made_of = (*_tank_paths(facts, name), f"stages.{name}.input_voltage_low", f"stages.{name}.lowest_frequency")
            turns = tuple(path for one in wound for path in _turns(one))
            yield Said("doubtful", (*made_of, *turns), says)


def _shares(stage: Llc) -> list[float]:
    return [0.5 if one == "half" else 1.0 for one in stage.choices("bridge")]


# --- chokes


def choke_ripple(facts: Facts) -> Iterator[Said]:
    """Ripple of chokes and magnetising current against the mean: far from it the inductance, or the frequency, is not."""
    yield from all_judged(facts, _ripples(facts))


def _ripples(facts: Facts) -> Iterator[Usual]:
    for name, stage in facts.record.data.stages.items():
        frequency = facts.value(f"stages.{name}.switching_frequency")
        out = facts.output(name, stage)
        if not frequency:
            continue
        if isinstance(stage, Buck) and out and (given := facts.input_of(name)) and given[1] > out[0]:
            yield from _rippled(facts, name, "output_choke", out[1] / stage.phases,
                                lambda henry, o=out, g=given, f=frequency: buck_ripple(g[1], o[0], henry, f), (0.08, 0.9))  # fmt: skip
        elif isinstance(stage, BoostPfc):
            crest, mean = facts.low_crest, math.sqrt(2) * facts.line_current / stage.phases
            if crest < facts.bus:
                yield from _rippled(facts, name, "boost_choke", mean,
                                    lambda henry, c=crest, f=frequency: boost_ripple(c, facts.bus, henry, f), (0.06, 2.2))  # fmt: skip
        elif isinstance(stage, TwoSwitchForward) and out and (wound := _one(facts, name, "transformer")):
            ratio, bus = wound.value("ratio"), facts.value(f"stages.{name}.input_voltage")
            if ratio and bus and bus / ratio > out[0]:
                yield from _rippled(facts, name, "output_choke", out[1],
                                    lambda henry, o=out, v=bus / ratio, f=frequency: buck_ripple(v, o[0], henry, f), (0.08, 0.9))  # fmt: skip
        elif isinstance(stage, Flyback) and out and (wound := _one(facts, name, "transformer")):
            yield from _magnetised(facts, name, stage, wound, frequency)


def _rippled(facts: Facts, name: str, role: str, mean: float, ripple, span: tuple[float, float]) -> Iterator[Usual]:  # type: ignore[no-untyped-def]
    held = _one(facts, name, role)
    henry = held.value("inductance") if held else None
    if held is None or not henry:
        return
    swing = ripple(henry)
    what = (
        f"ripple of {held.designator}, {engineering(henry, 'H', 3)}, is {engineering(swing, 'A', 3)}, and its share of the "
        f"mean {engineering(mean, 'A', 3)}"
    )
    made_of = {held.at("inductance"): -1.0, f"stages.{name}.switching_frequency": -1.0}
    yield Usual(what, swing / mean, "1", *span, made_of, far=4)
    saturation, left = held.value("saturation_current"), held.value("saturated_inductance")
    if saturation:
        what = f"saturation current of {held.designator} over its peak of some {engineering(mean + swing / 2, 'A', 3)}"
        yield Usual(what, saturation / (mean + swing / 2), "1", 0.9, 5.0, {held.at("saturation_current"): 1.0}, far=3)
    if left:
        what = f"saturated over initial inductance of {held.designator}"
        made_of = {held.at("saturated_inductance"): 1.0, held.at("inductance"): -1.0}
        yield Usual(what, left / henry, "1", 0.03, 0.85, made_of, far=1.1)


def _magnetised(facts: Facts, name: str, stage: Flyback, wound: Held, frequency: float) -> Iterator[Usual]:
    low, henry = facts.value(f"stages.{name}.input_voltage_low"), wound.value("primary_inductance")
    ratios, out = flyback_ratios(facts, name, stage), facts.output(name, stage)
    if not low or not henry or out is None or not stage.rail or stage.rail not in ratios:
        return
    duty = flyback_duty(low, ratios[stage.rail][0] * (out[0] + RECTIFIER_DROP))
    power = sum(at[0] * at[1] for rail in ratios if (at := facts.rail(rail)))
    mean, swing = power / (0.87 * low * duty), low * duty / (henry * frequency)
    what = f"magnetising ripple of {wound.designator}, {engineering(swing, 'A', 3)}, over its mean in the on-time"
    made_of = {wound.at("primary_inductance"): -1.0, f"stages.{name}.switching_frequency": -1.0}
    yield Usual(what, swing / mean, "1", 0.2, 5.0, made_of, far=4)
    peak = max(mean + swing / 2, math.sqrt(2 * power / (0.87 * henry * frequency)))
    saturation = wound.value("saturation_current")
    if saturation:
        what = f"saturation current of {wound.designator} over its peak of some {engineering(peak, 'A', 3)}"
        yield Usual(what, saturation / peak, "1", 1.0, 4.0, {wound.at("saturation_current"): 1.0}, (wound.path,), far=3)
    sense = _one(facts, name, "sense_resistor")
    ohms = sense.value("resistance") if sense else None
    if sense and ohms:
        part = sense.part
        volts = ohms * part.series / part.parallel * peak
        what = f"voltage across {sense.designator} at the peak of some {engineering(peak, 'A', 3)}"
        yield Usual(what, volts, "V", 0.2, 1.3, {sense.at("resistance"): 1.0}, (sense.path,), {sense.path: part.parallel}, far=5)


def saturation_of_transformers(facts: Facts) -> Iterator[Said]:
    """Magnetising peak of forward and LLC transformers against the current their core saturates at."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            held, bus = _one(facts, name, "transformer"), facts.value(f"stages.{name}.input_voltage")
            henry, most = (held.value(one) if held else None for one in ("primary_inductance", "saturation_current"))
            if held is None or not bus or not henry or not most or isinstance(stage, Flyback):
                continue
            peak = None
            out, ratio, frequency = facts.output(name, stage), held.value("ratio"), facts.value(f"stages.{name}.switching_frequency")
            if isinstance(stage, TwoSwitchForward) and out and ratio and frequency:
                peak = (out[0] + RECTIFIER_DROP) * ratio / (henry * frequency)
            elif isinstance(stage, Llc) and out and ratio and (low := facts.value(f"stages.{name}.lowest_frequency")):
                peak = ratio * out[0] / (4 * henry * low)
            if peak:
                what = f"saturation current of {held.designator} over its magnetising peak of some {engineering(peak, 'A', 3)}"
                made_of = {held.at("saturation_current"): 1.0, held.at("primary_inductance"): 1.0}
                yield Usual(what, most / peak, "1", 0.9, 12.0, made_of, far=3)

    yield from all_judged(facts, numbers())


# --- voltages along the chain, timing


def voltages_along_the_chain(facts: Facts) -> Iterator[Said]:
    """What a converter says of its input against what feeds it, and the bus against the line's crest."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            if isinstance(stage, RectifierBulk):
                yield from _bus_numbers(facts, name)
            if isinstance(stage, Isolated):
                yield from _input_numbers(facts, name, stage)
            if isinstance(stage, Buck) and (given := facts.input_of(name)) and stage.fed_by:
                feeding = facts.record.data.stages.get(stage.fed_by)
                out = facts.output(stage.fed_by, feeding) if feeding is not None else None
                if out is not None:
                    what = f"input voltage of {name}, {given[1]:g} V, over the {out[0]:g} V that feed it,"
                    made_of = {given[0]: 1.0, f"nameplate.rails.{getattr(feeding, 'rail', '')}.voltage": -1.0}
                    yield Usual(what, given[1] / out[0], "1", 0.93, 1.07, made_of, far=1.3)
                own = facts.output(name, stage)
                if own is not None:
                    what = f"duty of {name}, {own[0]:g} V from {given[1]:g} V,"
                    made_of = {f"nameplate.rails.{stage.rail}.voltage": 1.0, given[0]: -1.0}
                    yield Usual(what, own[0] / given[1], "1", 0.03, 0.95, made_of, far=1.05)

    yield from all_judged(facts, numbers())


def _bus_numbers(facts: Facts, name: str) -> Iterator[Usual]:
    point, stop = (facts.value(f"stages.{name}.{one}") for one in ("bus_setpoint", "holdup_end_voltage"))
    off, on = (facts.value(f"stages.{name}.undervoltage_{one}") for one in ("cutoff", "restart"))
    crest = facts.crest if facts.is_mains else 0.0
    if point and crest:
        what = f"set-point of the bus, {point:g} V, over the highest crest of {engineering(crest, 'V', 3)}"
        yield Usual(what, point / crest, "1", 1.0, 1.25, {f"stages.{name}.bus_setpoint": 1.0}, (facts.high_band,), far=1.1)
    top, lowest = (point, point) if point else (facts.low_crest, facts.low_crest)
    band = f"stages.{name}.bus_setpoint" if point else facts.high_band
    for value, field, low in ((stop, "holdup_end_voltage", 0.45), (off, "undervoltage_cutoff", 0.35), (on, "undervoltage_restart", 0.4)):
        if value and lowest:
            what = f"{field.replace('_', ' ')} of {name}, {value:g} V, over the bus of {engineering(top, 'V', 3)}"
            yield Usual(what, value / lowest, "1", low, 0.98, {f"stages.{name}.{field}": 1.0}, (band,), far=1.5)


def _input_numbers(facts: Facts, name: str, stage: Isolated) -> Iterator[Usual]:
    ends = [facts.value(f"stages.{name}.{one}") for one in ("input_voltage_low", "input_voltage", "input_voltage_high")]
    paths = [f"stages.{name}.{one}" for one in ("input_voltage_low", "input_voltage", "input_voltage_high")]
    points = [facts.value(f"stages.{one}.bus_setpoint") for one in facts.record.data.stages]
    point = next((one for one in points if one), None)
    on_the_bus = isinstance(facts.record.data.stages.get(stage.fed_by or ""), RectifierBulk | BoostPfc)
    if on_the_bus and point and ends[1]:
        what = f"input voltage of {name}, {ends[1]:g} V, over the bus set-point of {point:g} V"
        yield Usual(what, ends[1] / point, "1", 0.95, 1.05, {paths[1]: 1.0}, (facts.bus_path,), far=1.15)
    if on_the_bus and not point and facts.is_mains:
        for end, path, low, high, of in ((ends[2], paths[2], 0.9, 1.06, facts.crest), (ends[0], paths[0], 0.45, 1.05, facts.low_crest)):
            if end:
                what = f"{path.rsplit('.', 1)[1].replace('_', ' ')} of {name}, {end:g} V, over the line's crest of {of:.3g} V"
                yield Usual(what, end / of, "1", low, high, {path: 1.0}, (facts.high_band,), far=1.3)
    for (lower, upper), (path, other) in zip(pairwise(ends), pairwise(paths), strict=True):
        if lower and upper and point:
            what = f"{path.rsplit('.', 1)[1].replace('_', ' ')} of {name}, {lower:g} V, over {upper:g} V"
            yield Usual(what, lower / upper, "1", 0.6, 1.0, {path: 1.0}, (other,), far=1.5)


def timing(facts: Facts) -> Iterator[Said]:
    """Dead times, delays and switching times against the period."""

    def numbers() -> Iterator[Usual]:
        fields = {
            "dead_time": (3e-3, 0.15), "dead_time_rising": (1e-3, 0.08), "dead_time_falling": (1e-3, 0.08),
            "switching_time": (1e-4, 0.02), "rectifier_delay": (5e-4, 0.1), "rectifier_least_on": (5e-3, 0.25),
        }  # fmt: skip
        for name in facts.record.data.stages:
            at = facts.value(f"stages.{name}.switching_frequency") or facts.value(f"stages.{name}.lowest_frequency")
            for field, span in fields.items():
                time = facts.value(f"stages.{name}.{field}")
                if time and at:
                    what = f"{field.replace('_', ' ')} of {name} as a share of its period"
                    other = "switching_frequency" if facts.value(f"stages.{name}.switching_frequency") else "lowest_frequency"
                    yield Usual(what, time * at, "1", *span, {f"stages.{name}.{field}": 1.0, f"stages.{name}.{other}": 1.0}, far=5)

    yield from all_judged(facts, numbers())


def delivered_current(facts: Facts) -> Iterator[Said]:
    """A converter's stated output current against its rail and what is fed by it."""

    def numbers() -> Iterator[Usual]:
        for name, stage in _isolated(facts, Isolated):
            stated, rail = facts.value(f"stages.{name}.output_current"), facts.rail(stage.rail)
            if not stated or rail is None:
                continue
            fed = [facts.output(other, one) for other, one in facts.record.data.stages.items() if one.fed_by == name]
            expected = rail[1] + sum(out[0] * out[1] for out in fed if out) / 0.93 / rail[0]
            what = f"output current of {name}, {stated:g} A, over what rail and bucks take, {expected:.3g} A,"
            made_of = {f"stages.{name}.output_current": 1.0, f"nameplate.rails.{stage.rail}.current": -1.0}
            beside = tuple(f"nameplate.rails.{one.rail}.current" for one in facts.record.data.stages.values()
                           if isinstance(one, Buck) and one.fed_by == name)  # fmt: skip
            yield Usual(what, stated / expected, "1", 0.9, 1.12, made_of, beside, far=1.5)

    yield from all_judged(facts, numbers())


RULES = (
    Rule("turns_against_rails", "the turns ratio that bus and rail need", "volt-second balance", turns_against_rails),
    Rule("winding_counts", "turns of a converter that steps down", "volt-second balance", winding_counts),
    Rule("transformer_figures", "leakage and resistances of a transformer", PRACTICE, transformer_figures),
    Rule("resonance_in_range", "the resonance between the frequencies set", "1 / (2 pi sqrt(L C)); room " + PRACTICE,
         resonance_in_range),
    Rule("gain_in_reach", "the gain the lowest bus needs", "Steigerwald 1988, first harmonic, from memory", gain_in_reach),
    Rule("choke_ripple", "ripple, saturation and sense voltage of chokes and flyback transformers", PRACTICE, choke_ripple),
    Rule("saturation_of_transformers", "magnetising peak below saturation", "volt seconds over inductance",
         saturation_of_transformers),
    Rule("voltages_along_the_chain", "inputs against what feeds them, the bus against the line", PRACTICE,
         voltages_along_the_chain),
    Rule("timing", "dead times and switching times against the period", PRACTICE, timing),
    Rule("delivered_current", "output currents against rails", "Kirchhoff's current law", delivered_current),
)  # fmt: skip
