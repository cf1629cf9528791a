"""What every part sees, by hand on nominal values: the voltage across it and the current through one piece of it.

For review alone, which wants a factor and no digit: ripple, commutation and drops are left out or taken as usual.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from harness.judge.review_facts import EFFICIENCY, Facts, Held
from netlists.formulas import flyback_duty, resonant_frequency
from netlists.instances import BoostPfc, Buck, Flyback, Llc, RectifierBulk, StageInstance, TwoSwitchForward

RECTIFIER_DROP = 0.8  # V, of a secondary rectifier where nothing is read; common practice, no source


@dataclass(frozen=True)
class Seen:
    """One part at its place.

    Parameters
    ----------
    volts : across it at the highest input [V]; None: not estimated
    rms, mean : current of one piece at full load [A]; None as above
    power : of the stage at full load [W], which losses are held against
    because : paths the voltage is made of, beside the part's own
    """

    held: Held
    role: str
    volts: float | None
    rms: float | None
    mean: float | None
    power: float
    because: tuple[str, ...] = ()


def everything_seen(facts: Facts) -> Iterator[Seen]:
    """Every part of a stage of which its place tells what it sees."""
    yield from _line_side(facts)
    for name, stage in facts.record.data.stages.items():
        if isinstance(stage, RectifierBulk):
            yield from _rectifier(facts, name)
        elif isinstance(stage, BoostPfc):
            yield from _corrector(facts, name, stage)
        elif isinstance(stage, Buck):
            yield from _buck(facts, name, stage)
        elif isinstance(stage, Llc):
            yield from _llc(facts, name, stage)
        elif isinstance(stage, TwoSwitchForward):
            yield from _forward(facts, name, stage)
        elif isinstance(stage, Flyback):
            yield from _flyback(facts, name, stage)


def _of(facts: Facts, stage: str, role: str) -> list[Held]:
    return facts.in_stage(stage, role) if role in facts.record.data.stages[stage].ROLES else []


def _line_side(facts: Facts) -> Iterator[Seen]:
    """Parts that lie across or in the line whatever stage owns them, told by their kind."""
    across = (facts.high_band,)
    for held in facts.of_kind("fuse", "varistor", "common_mode_choke"):
        rms = None if held.kind == "varistor" else facts.line_current
        volts = facts.label_high if held.kind == "fuse" else facts.line_high
        yield Seen(held, held.kind, None if held.kind == "common_mode_choke" else volts, rms, None, facts.power, across)
    for held in facts.of_kind("film_capacitor"):
        if getattr(held.part, "safety_class", "") or "x_capacitor" in held.roles:
            yield Seen(held, "across_the_line", facts.label_high, None, None, facts.power, across)


def _rectifier(facts: Facts, name: str) -> Iterator[Seen]:
    rms, crest, bus = facts.line_current, (facts.high_band,), (facts.bus_path,)
    mean = 0.9 * rms if facts.is_corrected else facts.power / (EFFICIENCY * 1.1 * facts.line_low)
    for held in _of(facts, name, "rectifier"):
        yield Seen(held, "rectifier", facts.crest, None, mean / held.part.parallel, facts.power, crest)
    relay = _of(facts, name, "bypass_relay")
    for held in relay:
        yield Seen(held, "bypass_relay", None, rms, None, facts.power)
    for held in _of(facts, name, "inrush_limiter"):
        yield Seen(held, "inrush_limiter", None, None if relay else rms, None, facts.power)
    for held in _of(facts, name, "bypass_diode"):
        yield Seen(held, "bypass_diode", facts.bus, None, None, facts.power, bus)
    for held in _of(facts, name, "bulk"):
        yield Seen(held, "bulk", facts.bus / held.part.series, None, None, facts.power, bus)


def _corrector(facts: Facts, name: str, stage: BoostPfc) -> Iterator[Seen]:
    bus, line, phases = (facts.bus_path,), facts.line_current, stage.phases
    mean = facts.power / EFFICIENCY / facts.bus
    for held in _of(facts, name, "boost_switch"):
        yield Seen(held, "boost_switch", facts.bus, 0.75 * line / held.part.parallel, None, facts.power, bus)
    for held in _of(facts, name, "boost_diode"):
        yield Seen(held, "boost_diode", facts.bus, None, mean / held.part.parallel, facts.power, bus)
    for held in _of(facts, name, "boost_choke"):
        yield Seen(held, "boost_choke", None, line / phases, None, facts.power)
    for held in _of(facts, name, "input_bank"):
        yield Seen(held, "input_bank", facts.crest / held.part.series, None, None, facts.power, (facts.high_band,))


def _banks(facts: Facts, name: str, stage: StageInstance, volts: float, power: float) -> Iterator[Seen]:
    own = getattr(stage, "rail", None)
    for role in ("output_bank", "second_bank"):
        for held in _of(facts, name, role):
            rail = held.part.output or own
            at = facts.rail(rail)
            seen = (at[0] if at else volts) / held.part.series
            yield Seen(held, role, seen, None, None, power, (f"nameplate.rails.{rail}.voltage",))


def _buck(facts: Facts, name: str, stage: Buck) -> Iterator[Seen]:
    out, given = facts.output(name, stage), facts.input_of(name)
    if out is None or given is None:
        return
    (v_out, current), (path, v_in) = out, given
    power, duty = v_out * current, min(0.98, v_out / v_in)
    for role, share in (("high_side", duty), ("low_side", 1 - duty)):
        for held in _of(facts, name, role):
            yield Seen(held, role, v_in, current * math.sqrt(share) / held.part.parallel, None, power, (path,))
    for held in _of(facts, name, "freewheel_diode"):
        yield Seen(held, "freewheel_diode", v_in, None, current * (1 - duty) / held.part.parallel, power, (path,))
    for held in _of(facts, name, "output_choke"):
        yield Seen(held, "output_choke", None, current / stage.phases, None, power)
    for held in _of(facts, name, "input_bank"):
        yield Seen(held, "input_bank", v_in / held.part.series, None, None, power, (path,))
    yield from _banks(facts, name, stage, v_out, power)


def tank(facts: Facts, name: str) -> tuple[float, float, float] | None:
    """Resonant inductance [H], capacitance [F] and magnetising inductance [H] of an LLC; None where one is not read."""
    wound = _of(facts, name, "transformer")
    series = _of(facts, name, "series_inductor")
    held = [*_of(facts, name, "resonant_capacitor"), *_of(facts, name, "split_capacitor")]
    caps = [(one.value("capacitance"), one.part) for one in held]
    leakage = [one.value("leakage_inductance") for one in wound]
    primary = [one.value("primary_inductance") for one in wound]
    chokes = [one.value("inductance") for one in series]
    capacitance = sum(value * part.parallel / part.series for value, part in caps if value)
    if not wound or not capacitance or None in (*leakage, *primary, *chokes):
        return None
    inner = sum(one for one in leakage if one)
    return inner + sum(one for one in chokes if one), capacitance, sum(one for one in primary if one) - inner


def _llc(facts: Facts, name: str, stage: Llc) -> Iterator[Seen]:
    out = facts.output(name, stage)
    bus = facts.value(f"stages.{name}.input_voltage_high") or facts.bus
    because = (f"stages.{name}.input_voltage_high",)
    wound = _of(facts, name, "transformer")
    ratio = sum(one.value("ratio") or 0.0 for one in wound)
    for held in _of(facts, name, "bridge_switch"):
        legs = 4 if stage.choices("bridge") == ("full",) else 2
        rms = None if out is None or not ratio else 1.11 * out[1] / ratio / math.sqrt(2) / (held.part.parallel / legs)
        yield Seen(held, "bridge_switch", bus, rms, None, facts.power, because)
    if out is None:
        return
    volts, current = out
    power, tapped = volts * current, stage.choices("secondary") == ("centre_tapped",)
    places = max(1, len(wound)) * (2 if tapped else 4)
    rail = (f"nameplate.rails.{stage.rail}.voltage",)
    for held in _of(facts, name, "rectifier"):
        pieces = max(1.0, held.part.parallel / places) * max(1, len(wound))
        rms, mean = 0.785 * current / pieces, 0.5 * current / pieces
        yield Seen(held, "rectifier", volts * (2 if tapped else 1), rms, mean, power, rail)
    primary = 1.11 * current / ratio if ratio else None
    for held in wound:
        yield Seen(held, "transformer", None, primary, None, power)
    for held in _of(facts, name, "series_inductor"):
        yield Seen(held, "series_inductor", None, primary, None, power)
    found = tank(facts, name)
    for held in _of(facts, name, "resonant_capacitor") if found and primary else ():
        assert found is not None  # as the loop above says
        at = resonant_frequency(found[0], found[1])
        swing = math.sqrt(2) * (primary or 0.0) / (2 * math.pi * at * found[1]) / held.part.series
        yield Seen(held, "resonant_capacitor", swing, None, None, power, ())
    yield from _banks(facts, name, stage, volts, power)


def _forward(facts: Facts, name: str, stage: TwoSwitchForward) -> Iterator[Seen]:
    out = facts.output(name, stage)
    high = facts.value(f"stages.{name}.input_voltage_high") or facts.bus
    middle = facts.value(f"stages.{name}.input_voltage") or facts.bus
    because = (f"stages.{name}.input_voltage_high",)
    wound = _of(facts, name, "transformer")
    ratio = wound[0].value("ratio") if wound else None
    if out is None or not ratio:
        return
    volts, current = out
    power, duty = volts * current, min(0.5, (volts + RECTIFIER_DROP) * ratio / middle)
    for role in ("high_switch", "low_switch"):
        for held in _of(facts, name, role):
            rms = current / ratio * math.sqrt(duty) / held.part.parallel
            yield Seen(held, role, high, rms, None, power, because)
    for role in ("high_clamp", "low_clamp"):
        for held in _of(facts, name, role):
            yield Seen(held, role, high, None, None, power, because)
    turned = (*because, wound[0].at("ratio"))
    for role, share in (("forward_diode", duty), ("freewheel_diode", 1 - duty)):
        for held in _of(facts, name, role):
            yield Seen(held, role, high / ratio, None, current * share / held.part.parallel, power, turned)
    for held in wound:
        yield Seen(held, "transformer", None, current / ratio * math.sqrt(duty), None, power)
    for held in _of(facts, name, "output_choke"):
        yield Seen(held, "output_choke", None, current, None, power)
    for held in _of(facts, name, "snubber_capacitor"):
        yield Seen(held, "snubber_capacitor", high / ratio, None, None, power, turned)
    yield from _banks(facts, name, stage, volts, power)


def bank_ripple(facts: Facts, name: str) -> float | None:
    """RMS ripple current of an output bank by ideal waveforms [A]; None where it is no such converter."""
    stage = facts.record.data.stages[name]
    out = facts.output(name, stage)
    if out is None:
        return None
    if isinstance(stage, Llc):
        return 0.48 * out[1]  # of a rectified sine about its mean
    ratios = flyback_ratios(facts, name, stage) if isinstance(stage, Flyback) else {}
    low = facts.value(f"stages.{name}.input_voltage_low")
    if isinstance(stage, Flyback) and stage.rail in ratios and low:
        duty = flyback_duty(low, ratios[stage.rail][0] * (out[0] + RECTIFIER_DROP))
        return out[1] * math.sqrt(duty / (1 - duty))
    return None


def flyback_ratios(facts: Facts, name: str, stage: Flyback) -> dict[str, tuple[float, str]]:
    """Rail -> ratio of its winding and the path of that."""
    found = {}
    for held in _of(facts, name, "transformer"):
        value = held.value("ratio")
        if value and stage.rail:
            found[stage.rail] = (value, held.at("ratio"))
    for held in _of(facts, name, "further_winding"):
        value = held.value("ratio")
        if value:
            found[held.part.output] = (value, held.at("ratio"))
    return found


def _flyback(facts: Facts, name: str, stage: Flyback) -> Iterator[Seen]:
    out, ratios = facts.output(name, stage), flyback_ratios(facts, name, stage)
    high = facts.value(f"stages.{name}.input_voltage_high") or facts.bus
    low = facts.value(f"stages.{name}.input_voltage_low") or facts.low_crest
    because = (f"stages.{name}.input_voltage_high",)
    if out is None or not stage.rail or stage.rail not in ratios:
        return
    volts, ratio = out[0], ratios[stage.rail][0]
    power = sum(at[0] * at[1] for rail in ratios if (at := facts.rail(rail)))
    reflected = ratio * (volts + RECTIFIER_DROP)
    duty = flyback_duty(low, reflected)
    rms = 1.1 * power / (EFFICIENCY * low * duty) * math.sqrt(duty)
    turned = (*because, ratios[stage.rail][1])
    for held in _of(facts, name, "primary_switch"):
        yield Seen(held, "primary_switch", high + reflected, rms / held.part.parallel, None, power, turned)
    for held in _of(facts, name, "clamp_diode"):
        yield Seen(held, "clamp_diode", high + reflected, None, None, power, turned)
    for role in ("clamp_capacitor", "clamp_resistor"):
        for held in _of(facts, name, role):
            yield Seen(held, role, 1.4 * reflected / held.part.series, None, None, power, turned)
    for held in _of(facts, name, "transformer"):
        yield Seen(held, "transformer", None, rms, None, power)
    for held in _of(facts, name, "rectifier"):
        rail = held.part.output or stage.rail
        at = facts.rail(rail)
        if at is not None and rail in ratios:
            blocked, mean = at[0] + high / ratios[rail][0], at[1] / held.part.parallel
            made = (*because, ratios[rail][1], f"nameplate.rails.{rail}.voltage")
            yield Seen(held, "rectifier", blocked, 1.3 * mean / math.sqrt(1 - duty), mean, power, made)
    for held in _of(facts, name, "post_choke"):
        at = facts.rail(held.part.output or stage.rail)
        yield Seen(held, "post_choke", None, at[1] if at else None, None, power)
    yield from _banks(facts, name, stage, volts, power)
