"""Rules on ratings: against what a part sees at its place, and against the part's other values."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Severity, Usual, all_judged
from harness.judge.review_seen import Seen, bank_ripple, everything_seen
from harness.judge.review_tables import CURRENT_FIELDS, HEADROOM, LOSSES, VOLTAGE_FIELDS
from netlists.formulas import half_sine_i2t
from netlists.instances import BoostPfc
from netlists.quantity import engineering

HALF_SINE = (8e-3, 10.2e-3)  # s, of the mains at 60 and 50 Hz
VARISTOR = (1.4, 1.75)  # voltage at 1 mA over the RMS rating; common practice, no source
HIGH_VOLTAGE = 300.0  # V; switches and cans above it are of another make than those below
DIVIDED = 150.0  # as above, of cans
AT_OUTPUTS = ("output_bank", "second_bank", "filter_bank")  # whose ESR is one at 100 kHz


def voltage_headroom(facts: Facts) -> Iterator[Said]:
    """A rated voltage against what the part sees: exceeded, or several times what anybody would buy."""
    for seen in everything_seen(facts):
        field = VOLTAGE_FIELDS.get(seen.held.kind, "voltage_rating")
        rated = seen.held.value(field)
        if rated is None or not seen.volts or seen.role not in HEADROOM:
            continue
        low, high = HEADROOM[seen.role]
        ratio, volts = rated / seen.volts, engineering(seen.volts, "V", 3)
        paths = (seen.held.at(field), *seen.because, seen.held.path)
        said = (
            f"{seen.held.designator} ({seen.role.replace('_', ' ')}) is rated {engineering(rated, 'V', 3)} and "
            f"sees some {volts}"
        )
        if ratio < low:
            says = f"{said}, {ratio:.0%} of it" + (f"; usual at least {low:.0%}" if ratio >= 1 else "")
            yield Said("wrong" if ratio < 1 else "doubtful", paths, says, _series(seen))
        elif ratio > high:
            says = f"{said}: {ratio:.2g} times that; usual up to {high:.2g}"
            yield Said("doubtful", paths, says, "the rating, or the place, is another part's")


def _series(seen: Seen) -> str:
    held = seen.held
    return "several in series, if counted as one" if held.role == "bulk" and held.part.series == 1 else ""


def current_headroom(facts: Facts) -> Iterator[Said]:
    """A rated current against what one piece carries at full load."""

    def numbers() -> Iterator[Usual]:
        for seen in everything_seen(facts):
            found = CURRENT_FIELDS.get(seen.held.kind)
            if found is None:
                continue
            field, which, (low, high) = found
            rated, carries = seen.held.value(field), seen.rms if which == "rms" else seen.mean
            if rated and carries:
                held = seen.held
                what = (
                    f"{field.replace('_', ' ')} of {held.designator}, {engineering(rated, 'A', 3)}, over some "
                    f"{engineering(carries, 'A', 3)} {which} through each piece,"
                )
                counts = {held.path: held.part.parallel}
                yield Usual(what, rated / carries, "1", low, high, {held.at(field): 1.0}, (held.path,), counts, far=3)

    yield from all_judged(facts, numbers())


def label_current_of_fuse(facts: Facts) -> Iterator[Said]:
    """A fuse below the label's input current."""
    currents = {
        f"nameplate.input_bands.{name}.current": band.current.nominal
        for name, band in facts.bands.items() if band.current is not None
    }  # fmt: skip
    for held in facts.of_kind("fuse"):
        rated = held.value("current_rating")
        if rated is not None and currents and not 1.0 <= rated / max(currents.values()) <= 4.0:
            path = max(currents, key=lambda one: currents[one])
            says = f"{held.designator} is rated {rated:g} A, the label's input current is {currents[path]:g} A"
            severity: Severity = "wrong" if rated < currents[path] else "doubtful"
            yield Said(severity, (held.at("current_rating"), path), says)


def conduction_share(facts: Facts) -> Iterator[Said]:
    """What a resistance loses at full load, as a share of the stage's power."""

    def numbers() -> Iterator[Usual]:
        for seen in everything_seen(facts):
            fields, (low, high) = LOSSES.get(seen.held.kind, ((), (0.0, 0.0)))
            for field in fields:
                resistance = seen.held.value(field)
                if resistance and seen.rms and seen.power:
                    high = min(high, 0.015) if seen.role == "boost_choke" else high
                    pieces = seen.held.part.parallel * (2 if seen.held.kind == "common_mode_choke" else 1)
                    share = seen.rms**2 * resistance * pieces / seen.power
                    what = (
                        f"{field.replace('_', ' ')} of {seen.held.designator}, {engineering(resistance, 'ohm', 3)}, at "
                        f"{engineering(seen.rms, 'A', 3)}: its loss as a share of the stage's power"
                    )
                    made_of = {seen.held.at(field): 1.0}
                    counts = {seen.held.path: seen.held.part.parallel}
                    yield Usual(what, share, "1", low, high, made_of, (seen.held.path,), counts)

    yield from all_judged(facts, numbers())


def path_losses(facts: Facts) -> Iterator[Said]:
    """What feeds, copper and shunts of a converter lose at full load."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            out, given = facts.output(name, stage), facts.input_of(name)
            power = out[0] * out[1] if out else facts.power
            into = facts.line_current if isinstance(stage, BoostPfc) else power / given[1] if out and given else None
            for field, amps in (("feed_resistance", into), ("copper_resistance", out[1] if out else None)):
                ohms = facts.value(f"stages.{name}.{field}")
                if ohms and amps:
                    what = (
                        f"{field.replace('_', ' ')} of {name}, {engineering(ohms, 'ohm', 3)}, at {amps:.3g} A: "
                        "its share of the power"
                    )
                    yield Usual(what, amps**2 * ohms / power, "1", 1e-5, 0.02, {f"stages.{name}.{field}": 1.0})
            for held in facts.in_stage(name) if out else ():
                ohms = held.value("resistance")
                if held.kind == "shunt" and ohms and not held.role and out:
                    drop = out[1] * ohms / held.part.parallel
                    what = f"voltage across {held.designator} at the {out[1]:g} A of {name}"
                    yield Usual(what, drop, "V", 2e-3, 0.3, {held.at("resistance"): 1.0}, (held.path,))

    yield from all_judged(facts, numbers())


def resistor_power(facts: Facts) -> Iterator[Said]:
    """A resistor's rated power against the voltage it stands at."""

    def numbers() -> Iterator[Usual]:
        for seen in everything_seen(facts):
            rated, ohms = seen.held.value("power_rating"), seen.held.value("resistance")
            if rated and ohms and seen.volts:
                watts = seen.volts**2 / ohms
                what = f"power rating of {seen.held.designator}, {rated:g} W, over some {engineering(watts, 'W', 3)}"
                beside = (seen.held.at("resistance"), seen.held.path)
                yield Usual(what, rated / watts, "1", 1.0, 30.0, {seen.held.at("power_rating"): 1.0}, beside, far=5)

    yield from all_judged(facts, numbers())


def ripple_headroom(facts: Facts) -> Iterator[Said]:
    """Ripple current of the cans at an output, by the kind of converter, against their rating."""

    def numbers() -> Iterator[Usual]:
        for name in facts.record.data.stages:
            amps = bank_ripple(facts, name)
            held = facts.in_stage(name, "output_bank") if amps else []
            cans = [one for one in held if one.kind != "ceramic_capacitor" and one.value("capacitance")]
            for one in cans if len(cans) == 1 else ():
                rated = one.value("ripple_current_rating")
                if rated and amps:
                    each = amps / one.part.parallel
                    what = f"ripple rating of {one.designator}, {rated:g} A, over some {engineering(each, 'A', 3)} each"
                    counts = {one.path: one.part.parallel}
                    made_of = {one.at("ripple_current_rating"): 1.0}
                    yield Usual(what, rated / each, "1", 0.9, 40.0, made_of, (one.path,), counts, far=4)

    yield from all_judged(facts, numbers())


# --- one part's values against each other


def surge_against_i2t(facts: Facts) -> Iterator[Said]:
    """A diode's surge current and i2t are one half sine of the mains; the surge is tens of times the average rating."""

    def numbers() -> Iterator[Usual]:
        for held in facts.of_kind("bridge_rectifier", "diode"):
            surge, i2t = held.value("surge_current_rating"), held.value("i2t_rating")
            average = held.value("average_current_rating")
            if surge and i2t:
                what = f"i2t rating of {held.designator} at a surge of {surge:g} A"
                low, high = (half_sine_i2t(surge, one) for one in HALF_SINE)
                made_of = {held.at("i2t_rating"): 1.0}
                yield Usual(
                    what, i2t, "A2s", 0.85 * low, 1.15 * high, made_of, (held.at("surge_current_rating"),), far=3
                )
            if surge and average:
                what = f"surge of {held.designator} over its average rating"
                made_of = {held.at("surge_current_rating"): 1.0, held.at("average_current_rating"): -1.0}
                yield Usual(what, surge / average, "1", 4, 80, made_of, far=4)

    yield from all_judged(facts, numbers())


def forward_drop(facts: Facts) -> Iterator[Said]:
    """A diode's slope, test current and ratings belong to one curve."""

    def numbers() -> Iterator[Usual]:
        for held in facts.of_kind("bridge_rectifier", "diode"):
            drop, at = held.value("forward_voltage"), held.value("forward_test_current")
            slope, average = held.value("slope_resistance"), held.value("average_current_rating")
            capacitance = held.value("junction_capacitance")
            if drop and at and slope:
                what = f"share of the slope in the forward voltage of {held.designator}"
                made_of = {held.at("slope_resistance"): 1.0, held.at("forward_test_current"): 1.0}
                yield Usual(what, slope * at / drop, "1", 0.02, 0.6, made_of, (held.at("forward_voltage"),), far=5)
            if at and average:
                what = f"test current of {held.designator} over its average rating"
                made_of = {held.at("forward_test_current"): 1.0, held.at("average_current_rating"): -1.0}
                yield Usual(what, at / average, "1", 0.25, 4, made_of, far=4)
            if capacitance and at:
                what = f"junction capacitance of {held.designator} for each ampere of its test current"
                made_of = {held.at("junction_capacitance"): 1.0}
                yield Usual(what, capacitance / at, "F", 1.5e-12, 150e-12, made_of)

    yield from all_judged(facts, numbers())


def switch_figures(facts: Facts) -> Iterator[Said]:
    """On-resistance, current rating and output capacitance of a switch belong to one size of die."""

    def numbers() -> Iterator[Usual]:
        for held in facts.of_kind("mosfet"):
            volts, amps = held.value("drain_source_rating"), held.value("drain_current_rating")
            on, out = held.value("on_resistance"), held.value("output_capacitance")
            if volts and amps and on:
                what = f"on-resistance of {held.designator} times its rated {amps:g} A, over its rated {volts:g} V,"
                made_of = {held.at("on_resistance"): 1.0, held.at("drain_current_rating"): 1.0,
                           held.at("drain_source_rating"): -1.0}  # fmt: skip
                yield Usual(what, on * amps / volts, "1", 1.2e-3, 16e-3, made_of, far=8)
            if volts and on and out:
                high = volts >= HIGH_VOLTAGE
                low, most = (6e-12, 160e-12) if high else (0.4e-12, 16e-12)
                what = f"on-resistance times output capacitance of {held.designator}, {volts:g} V"
                made_of = {held.at("output_capacitance"): 1.0, held.at("on_resistance"): 1.0}
                yield Usual(what, on * out, "s", low, most, made_of)

    yield from all_judged(facts, numbers())


def capacitor_figures(facts: Facts) -> Iterator[Said]:
    """ESR times capacitance is a property of the make; ripple current goes with the size of the can."""
    yield from all_judged(facts, (usual for held in facts.parts for usual in (*_esr(held), *_can(held))))


def _esr(held: Held) -> Iterator[Usual]:
    capacitance, esr, is_high = held.value("capacitance"), held.value("esr"), _is_high(held)
    most = 130e-6 if held.role in AT_OUTPUTS else 300e-6
    times = {
        "electrolytic_capacitor": (50e-6, 500e-6) if is_high else (7e-6, most),
        "polymer_capacitor": (0.8e-6, 20e-6), "ceramic_capacitor": (1e-12, 0.5e-6), "film_capacitor": (30e-12, 0.2e-6),
    }.get(held.kind)  # fmt: skip
    if times and capacitance and esr:
        inferred = held.quantities["esr"].known == "inferred"
        what = (
            f"ESR times capacitance of {held.designator}, {engineering(esr, 'ohm', 3)} x "
            f"{engineering(capacitance, 'F', 3)},"
        )
        first = held.at("loss_angle") if inferred and "loss_angle" in held.quantities else held.at("esr")
        yield Usual(what, esr * capacitance, "s", *times, {first: 1.0}, (held.at("esr"), held.at("capacitance")))


def _can(held: Held) -> Iterator[Usual]:
    capacitance, volts, is_high = held.value("capacitance"), held.value("voltage_rating"), _is_high(held)
    ripple, name, rated = held.value("ripple_current_rating"), held.designator, (held.at("voltage_rating"),)
    rates = {
        "electrolytic_capacitor": (0.08, 1.3) if is_high else (0.5, 14.0), "polymer_capacitor": (2.0, 160.0),
    }.get(held.kind)  # fmt: skip
    if rates is None or not capacitance or not volts:
        return
    joules = 0.5 * capacitance * volts**2
    if ripple:
        what = f"ripple rating of {name}, {engineering(ripple, 'A', 3)}, for each root of its joules"
        made_of = {held.at("ripple_current_rating"): 1.0, held.at("capacitance"): -0.5}
        yield Usual(what, ripple / math.sqrt(joules), "1", *rates, made_of, rated, far=4)
    if held.kind == "electrolytic_capacitor":
        what = f"energy that one can of {name} holds, {engineering(capacitance, 'F', 3)} at its {volts:g} V,"
        low, high = (0.02, 100.0) if is_high else (1e-4, 40.0)
        yield Usual(what, joules, "J", low, high, {held.at("capacitance"): 1.0}, rated, far=4)


def _is_high(held: Held) -> bool:
    return (held.value("voltage_rating") or 0.0) >= DIVIDED


def line_part_figures(facts: Facts) -> Iterator[Said]:
    """Values of fuses, varistors, thermistors and chokes that belong together."""
    yield from all_judged(facts, (usual for held in facts.parts for usual in _line_part(held)))


def _line_part(held: Held) -> Iterator[Usual]:
    amps, name = held.value("current_rating"), held.designator
    if held.kind == "fuse" and amps:
        cold, i2t = held.value("cold_resistance"), held.value("melting_i2t")
        if cold:
            what = f"cold resistance of {name} times its rated {amps:g} A"
            made_of = {held.at("cold_resistance"): 1.0, held.at("current_rating"): 1.0}
            yield Usual(what, cold * amps, "V", 0.03, 0.28, made_of, far=5)
        if i2t:
            what = f"melting i2t of {name} over the square of its rated {amps:g} A"
            made_of = {held.at("melting_i2t"): 1.0, held.at("current_rating"): -2.0}
            yield Usual(what, i2t / amps**2, "s", 0.02, 30.0, made_of, far=5)
    if held.kind == "varistor":
        rms, at_1ma = held.value("voltage_rating"), held.value("voltage_at_1ma")
        if rms and at_1ma:
            made_of = {held.at("voltage_at_1ma"): 1.0, held.at("voltage_rating"): -1.0}
            yield Usual(
                f"voltage at 1 mA of {name} over its RMS rating", at_1ma / rms, "1", *VARISTOR, made_of, far=1.5
            )
    if held.kind == "thermistor":
        cold = held.value("resistance_25")
        loss, time = held.value("dissipation_constant"), held.value("time_constant")
        if cold and amps:
            made_of = {held.at("resistance_25"): 1.0, held.at("current_rating"): 1.0}
            yield Usual(
                f"cold resistance of {name} times its rated current", cold * amps, "V", 6.0, 130.0, made_of, far=5
            )
        if loss and time:
            made_of = {held.at("dissipation_constant"): 1.0, held.at("time_constant"): 1.0}
            yield Usual(
                f"heat capacity of {name}, dissipation times time constant,", loss * time, "J/K", 0.08, 9.0, made_of
            )
    if held.kind == "common_mode_choke":
        whole, leaked = held.value("inductance"), held.value("leakage_inductance")
        if whole and leaked:
            made_of = {held.at("leakage_inductance"): 1.0, held.at("inductance"): -1.0}
            yield Usual(f"leakage of {name} over its inductance", leaked / whole, "1", 2e-3, 0.03, made_of, far=5)


RULES = (
    Rule("voltage_headroom", "rated voltages above what the place sees, and not several times", PRACTICE,
         voltage_headroom),
    Rule("current_headroom", "rated currents above what a piece carries, and not many times", PRACTICE,
         current_headroom),
    Rule("label_current_of_fuse", "the fuse above the label's current", PRACTICE, label_current_of_fuse),
    Rule("conduction_share", "what a resistance loses at full load", PRACTICE, conduction_share),
    Rule("path_losses", "what feeds, copper and shunts lose", PRACTICE, path_losses),
    Rule("resistor_power", "rated power of resistors for the voltage across them", "V^2 / R; room " + PRACTICE,
         resistor_power),
    Rule("ripple_headroom", "ripple current of output cans", "ideal waveforms, Erickson and Maksimovic, from memory",
         ripple_headroom),
    Rule("surge_against_i2t", "i2t is that of one half sine of the surge", "closed form; room " + PRACTICE,
         surge_against_i2t),
    Rule("forward_drop", "slope, test current and ratings of one diode", PRACTICE, forward_drop),
    Rule("switch_figures", "on-resistance, capacitance and ratings of one switch", PRACTICE, switch_figures),
    Rule("capacitor_figures", "ESR, ripple rating and size of one capacitor", PRACTICE, capacitor_figures),
    Rule("line_part_figures", "values of fuse, varistor, thermistor and line choke that go together", PRACTICE,
         line_part_figures),
)  # fmt: skip
