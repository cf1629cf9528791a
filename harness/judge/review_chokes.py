"""Rules on chokes and magnetising currents, on voltages along the chain of stages, and on timing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from harness.judge.review_converters import isolated, one_of
from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Usual, all_judged
from harness.judge.review_seen import RECTIFIER_DROP, flyback_ratios
from netlists.formulas import boost_ripple, buck_ripple, flyback_duty
from netlists.instances import BoostPfc, Buck, Flyback, Isolated, Llc, RectifierBulk, TwoSwitchForward
from netlists.quantity import engineering

NOMINAL_LINES = (100.0, 115.0, 120.0, 127.0, 200.0, 220.0, 230.0, 240.0)  # V


def choke_ripple(facts: Facts) -> Iterator[Said]:
    """Ripple of chokes and magnetising current against the mean: far from it inductance or frequency is not."""
    yield from all_judged(facts, (usual for name in facts.record.data.stages for usual in _ripples(facts, name)))


def _ripples(facts: Facts, name: str) -> Iterator[Usual]:
    stage, out = facts.record.data.stages[name], facts.output(name, facts.record.data.stages[name])
    frequency, given = facts.value(f"stages.{name}.switching_frequency"), facts.input_of(name)
    wound = one_of(facts, name, "transformer")
    if not frequency:
        return
    if isinstance(stage, Buck) and out and given and given[1] > out[0]:
        swing = buck_ripple(given[1], out[0], 1.0, frequency)
        yield from _rippled(facts, name, "output_choke", out[1] / stage.phases, swing, (0.08, 0.9))
    elif isinstance(stage, BoostPfc) and facts.low_crest < facts.bus:
        mean = math.sqrt(2) * facts.line_current / stage.phases
        swing = boost_ripple(facts.low_crest, facts.bus, 1.0, frequency)
        yield from _rippled(facts, name, "boost_choke", mean, swing, (0.06, 2.2))
    elif isinstance(stage, TwoSwitchForward) and out and wound and given and (ratio := wound.value("ratio")):
        if given[1] / ratio > out[0]:
            swing = buck_ripple(given[1] / ratio, out[0], 1.0, frequency)
            yield from _rippled(facts, name, "output_choke", out[1], swing, (0.08, 0.9))
    elif isinstance(stage, Flyback) and out and wound:
        yield from _magnetised(facts, name, stage, wound, frequency)


def _rippled(
    facts: Facts, name: str, role: str, mean: float, of_one_henry: float, span: tuple[float, float]
) -> Iterator[Usual]:
    """Ripple and saturation of a choke; ``of_one_henry`` : the ripple one henry would have [A]."""
    held = one_of(facts, name, role)
    henry = held.value("inductance") if held else None
    if held is None or not henry:
        return
    swing = of_one_henry / henry
    what = (
        f"ripple of {held.designator}, {engineering(henry, 'H', 3)}, is {engineering(swing, 'A', 3)}, and its share of "
        f"the mean {engineering(mean, 'A', 3)}"
    )
    made_of = {held.at("inductance"): -1.0, f"stages.{name}.switching_frequency": -1.0}
    yield Usual(what, swing / mean, "1", *span, made_of, far=4)
    saturation, left = held.value("saturation_current"), held.value("saturated_inductance")
    if saturation:
        what = f"saturation current of {held.designator} over its peak of some {engineering(mean + swing / 2, 'A', 3)}"
        yield Usual(what, saturation / (mean + swing / 2), "1", 1.0, 5.0, {held.at("saturation_current"): 1.0}, far=3)
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
    sense = one_of(facts, name, "sense_resistor")
    ohms = sense.value("resistance") if sense else None
    if sense and ohms:
        part = sense.part
        volts = ohms * part.series / part.parallel * peak
        what = f"voltage across {sense.designator} at the peak of some {engineering(peak, 'A', 3)}"
        yield Usual(
            what, volts, "V", 0.2, 1.0, {sense.at("resistance"): 1.0}, (sense.path,), {sense.path: part.parallel}, far=5
        )


def saturation_of_transformers(facts: Facts) -> Iterator[Said]:
    """Magnetising peak of forward and LLC transformers against the current their core saturates at."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            held, bus = one_of(facts, name, "transformer"), facts.value(f"stages.{name}.input_voltage")
            henry, most = (held.value(one) if held else None for one in ("primary_inductance", "saturation_current"))
            if held is None or not bus or not henry or not most or isinstance(stage, Flyback):
                continue
            peak = None
            out, ratio, frequency = (
                facts.output(name, stage),
                held.value("ratio"),
                facts.value(f"stages.{name}.switching_frequency"),
            )
            if isinstance(stage, TwoSwitchForward) and out and ratio and frequency:
                peak = (out[0] + RECTIFIER_DROP) * ratio / (henry * frequency)
            elif isinstance(stage, Llc) and out and ratio and (low := facts.value(f"stages.{name}.lowest_frequency")):
                peak = ratio * out[0] / (4 * henry * low)
            if peak:
                what = (
                    f"saturation current of {held.designator} over its magnetising peak of some "
                    f"{engineering(peak, 'A', 3)}"
                )
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
        yield Usual(
            what, point / crest, "1", 1.0, 1.25, {f"stages.{name}.bus_setpoint": 1.0}, (facts.high_band,), far=1.1
        )
    top, lowest = (point, point) if point else (facts.low_crest, facts.low_crest)
    band = f"stages.{name}.bus_setpoint" if point else facts.high_band
    for value, field, low in (
        (stop, "holdup_end_voltage", 0.45),
        (off, "undervoltage_cutoff", 0.35),
        (on, "undervoltage_restart", 0.4),
    ):
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
        for end, path, low, high, of in (
            (ends[2], paths[2], 0.9, 1.06, facts.crest),
            (ends[0], paths[0], 0.45, 1.05, facts.low_crest),
        ):
            if end:
                what = (
                    f"{path.rsplit('.', 1)[1].replace('_', ' ')} of {name}, {end:g} V, over the line's crest of "
                    f"{of:.3g} V"
                )
                yield Usual(what, end / of, "1", low, high, {path: 1.0}, (facts.high_band,), far=1.3)
    if on_the_bus and not point and facts.is_mains and ends[1]:
        crests = [ends[1] / math.sqrt(2) / one for one in NOMINAL_LINES]
        near = min(crests, key=lambda one: abs(math.log(one)))
        what = f"input voltage of {name}, {ends[1]:g} V, over the crest of the nearest nominal mains"
        yield Usual(what, near, "1", 0.84, 1.03, {paths[1]: 1.0}, (facts.high_band,), far=1.5)
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
                    other = (
                        "switching_frequency"
                        if facts.value(f"stages.{name}.switching_frequency")
                        else "lowest_frequency"
                    )
                    yield Usual(
                        what,
                        time * at,
                        "1",
                        *span,
                        {f"stages.{name}.{field}": 1.0, f"stages.{name}.{other}": 1.0},
                        far=5,
                    )

    yield from all_judged(facts, numbers())


def delivered_current(facts: Facts) -> Iterator[Said]:
    """A converter's stated output current against its rail and what is fed by it."""

    def numbers() -> Iterator[Usual]:
        for name, stage in isolated(facts, Isolated):
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
    Rule("choke_ripple", "ripple, saturation and sense voltage of chokes and flyback transformers", PRACTICE,
         choke_ripple),
    Rule("saturation_of_transformers", "magnetising peak below saturation", "volt seconds over inductance",
         saturation_of_transformers),
    Rule("voltages_along_the_chain", "inputs against what feeds them, the bus against the line", PRACTICE,
         voltages_along_the_chain),
    Rule("timing", "dead times and switching times against the period", PRACTICE, timing),
    Rule("delivered_current", "output currents against rails", "Kirchhoff's current law", delivered_current),
)  # fmt: skip
