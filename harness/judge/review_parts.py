"""Rules on the list of parts: how many, entered twice, without a place; banks, clamps, snubbers, a standby's rail."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Usual, all_judged
from harness.judge.review_tables import SINGLE
from netlists.instances import Buck, Flyback, Isolated, TwoSwitchForward
from netlists.quantity import engineering

CLAMP_DIODE = 400.0  # V, from which a diode of a standby supply is taken for its clamp's; common practice, no source


def counts(facts: Facts) -> Iterator[Said]:
    """Several in parallel of what stands alone; an odd number of Y capacitors in a filter."""
    for held in facts.of_kind(*SINGLE):
        several = held.part.parallel > 1 and "transformer" not in held.roles
        if several and held.kind not in ("relay", "thermistor"):
            what = held.kind.replace("_", " ")
            says = (
                f"{held.designator} is {held.part.parallel} pieces in parallel; a {what} stands alone, since two "
                "do not share"
            )
            yield Said("doubtful", (held.path,), says, "one piece")
    for name, stage in facts.record.data.stages.items():
        y_parts = [one for one in facts.in_stage(name) if one.safety_class.startswith("Y")]
        if getattr(stage, "kind", "") == "input_filter" and sum(one.part.parallel for one in y_parts) % 2:
            text = ", ".join(f"{one.part.parallel} x {one.designator}" for one in y_parts)
            says = f"{name} has an odd number of Y capacitors ({text}); they come in pairs, one from each conductor"
            yield Said("note", tuple(one.path for one in y_parts), says)


def structure_against_parts(facts: Facts) -> Iterator[Said]:
    """A part that the structure stated has no place for."""
    unused = {
        ("bypass", "none"): "bypass_diode", ("feed", "bridge"): "boost_choke", ("rectification", "diode"): "low_side",
    }  # fmt: skip
    for name, stage in facts.record.data.stages.items():
        for (field, choice), role in unused.items():
            stated = stage.choices(field) if hasattr(stage, field) else ()
            if stated == (choice,) and role in stage.ROLES and (held := facts.in_stage(name, role)):
                says = (
                    f'{name} says {field} = "{choice}" and has {held[0].designator} as {role}, which has no place there'
                )
                yield Said("doubtful", (f"stages.{name}.{field}", held[0].path), says)


def entered_twice(facts: Facts) -> Iterator[Said]:
    """Two parts of one stage that are equal in everything; identical pieces are one entry with a count."""
    seen: dict[tuple[object, ...], Held] = {}
    for held in facts.parts:
        if held.kind == "other" or not held.quantities:
            continue
        values = tuple(sorted((name, one.nominal, one.low, one.high) for name, one in held.quantities.items()))
        part = held.part
        key = (held.stage, held.kind, part.role, part.output, part.branch, part.parallel, part.series, part.note,
               part.description, values)  # fmt: skip
        other = seen.setdefault(key, held)
        if other is not held:
            says = f"{held.designator} and {other.designator} of {held.stage} are equal in everything"
            likely = "one part under two names, or identical pieces: one entry with parallel = 2"
            yield Said("doubtful", (held.path, other.path), says, likely)
    yield from _odd_values(facts)


def _odd_values(facts: Facts) -> Iterator[Said]:
    """A measured value of three digits or more that two parts share to the last: a line copied too far."""
    seen: dict[tuple[str, float], Held] = {}
    for held in facts.parts:
        for name, quantity in held.quantities.items():
            digits = f"{quantity.nominal:.6e}".split("e")[0].replace(".", "").rstrip("0")
            if quantity.known != "measured" or len(digits) < 3:
                continue
            other = seen.setdefault((quantity.unit, quantity.nominal), held)
            if other.path != held.path:
                value = engineering(quantity.nominal, quantity.unit, 6)
                says = f"{held.designator} and {other.designator} were both measured as {value}, to the last digit"
                yield Said("note", (held.at(name), other.path), says)


def output_banks(facts: Facts) -> Iterator[Said]:
    """Charge of a bank against what one switching period takes: capacitance far from its rail's current."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            out = facts.output(name, stage)
            at = facts.value(f"stages.{name}.switching_frequency") or facts.value(f"stages.{name}.lowest_frequency")
            if out is None or not at or not isinstance(stage, Buck | Isolated):
                continue
            held = [one for one in facts.in_stage(name, "output_bank") if one.value("capacitance")
                    and one.part.output in ("", stage.rail)]  # fmt: skip
            total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in held)
            for one in held:
                share = (one.value("capacitance") or 0) * one.part.parallel / one.part.series / total
                if share > 0.3:
                    drop = out[1] / (at * total) / out[0]
                    what = (
                        f"output bank of {name}, {engineering(total, 'F', 3)}: a period's charge as a share of "
                        "its voltage"
                    )
                    made_of = {one.at("capacitance"): -1.0}
                    yield Usual(
                        what, drop, "1", 2e-4, 0.035, made_of, (one.path,), {one.path: one.part.parallel}, far=5
                    )

    yield from all_judged(facts, numbers())


def clamps_and_snubbers(facts: Facts) -> Iterator[Said]:
    """Time constant of a clamp against the period; a snubber's capacitor against what it damps."""

    def numbers() -> Iterator[Usual]:
        for name in facts.record.data.stages:
            at = facts.value(f"stages.{name}.switching_frequency")
            by_role = {role: one for one in facts.parts if one.stage == name for role in one.roles}
            resistor, capacitor = by_role.get("clamp_resistor"), by_role.get("clamp_capacitor")
            if at and resistor and capacitor:
                ohms, farad = resistor.value("resistance"), capacitor.value("capacitance")
                if ohms and farad:
                    pieces = resistor.part.series / resistor.part.parallel
                    pieces *= capacitor.part.parallel / capacitor.part.series
                    what = f"time constant of the clamp of {name} over its period"
                    made_of = {capacitor.at("capacitance"): 1.0, resistor.at("resistance"): 1.0}
                    beside = (capacitor.path, resistor.path)
                    yield Usual(what, ohms * farad * pieces * at, "1", 4.0, 90.0, made_of, beside, far=6)
            resistor, capacitor = by_role.get("snubber_resistor"), by_role.get("snubber_capacitor")
            if at and resistor and capacitor:
                ohms, farad = resistor.value("resistance"), capacitor.value("capacitance")
                if ohms and farad:
                    pieces = resistor.part.series / resistor.part.parallel
                    what = f"time constant of the snubber of {name} over its period"
                    made_of = {capacitor.at("capacitance"): 1.0, resistor.at("resistance"): 1.0}
                    beside = (capacitor.path, resistor.path)
                    yield Usual(what, ohms * farad * pieces * at, "1", 1e-4, 0.03, made_of, beside, far=6)

    yield from all_judged(facts, numbers())


def snubber_impedance(facts: Facts) -> Iterator[Said]:
    """A secondary snubber against the ring it damps: leakage seen from there, with the diodes' capacitance."""

    def numbers() -> Iterator[Usual]:
        for name, stage in facts.record.data.stages.items():
            by_role = {role: one for one in facts.parts if one.stage == name for role in one.roles}
            resistor, capacitor, wound = (
                by_role.get(one) for one in ("snubber_resistor", "snubber_capacitor", "transformer")
            )
            diodes = [by_role[one] for one in ("forward_diode", "freewheel_diode", "rectifier") if one in by_role]
            if not isinstance(stage, TwoSwitchForward | Flyback) or not resistor or not capacitor or not wound:
                continue
            leaked, ratio, ohms, farad = (
                wound.value("leakage_inductance"), wound.value("ratio"), resistor.value("resistance"),
                capacitor.value("capacitance"),
            )  # fmt: skip
            ringing = sum((one.value("junction_capacitance") or 0) * one.part.parallel for one in diodes)
            if not leaked or not ratio or not ohms or not farad or not ringing:
                continue
            whole = farad * capacitor.part.parallel / capacitor.part.series
            what = (
                f"snubber capacitance of {name}, {engineering(whole, 'F', 3)}, over the "
                f"{engineering(ringing, 'F', 3)} that ring"
            )
            yield Usual(
                what, whole / ringing, "1", 0.5, 20.0, {capacitor.at("capacitance"): 1.0}, (capacitor.path,), far=5
            )
            impedance = math.sqrt(leaked / ratio**2 / ringing)
            damping = ohms * resistor.part.series / resistor.part.parallel
            what = (
                f"snubber of {name}, {engineering(damping, 'ohm', 3)}, over its ring's "
                f"{engineering(impedance, 'ohm', 3)}"
            )
            yield Usual(
                what, damping / impedance, "1", 0.15, 6.0, {resistor.at("resistance"): 1.0}, (resistor.path,), far=5
            )

    yield from all_judged(facts, numbers())


def unmodelled_rail(facts: Facts) -> Iterator[Said]:
    """Capacitors and diodes of a stage without a model, against the one rail it can make."""
    left = [name for name in facts.record.data.nameplate.rails if name not in facts.made_rails]
    spare = [name for name, stage in facts.record.data.stages.items() if getattr(stage, "kind", "") == "standby"]
    rail = facts.rail(left[0]) if len(left) == len(spare) == 1 else None
    if rail is not None:
        held = [one for one in facts.in_stage(spare[0]) if not one.role]
        yield from all_judged(facts, (usual for one in held for usual in _on_the_rail(one, left[0], *rail)))


def _on_the_rail(held: Held, rail: str, volts: float, amps: float) -> Iterator[Usual]:
    """What a part of a standby supply has to do with its rail."""
    place, name = (f"nameplate.rails.{rail}.voltage", held.path), held.designator
    rated, farad, henry, blocked, mean = (
        held.value(one) for one in ("voltage_rating", "capacitance", "primary_inductance", "reverse_voltage_rating",
                                    "average_current_rating")
    )  # fmt: skip
    is_can, behind = held.kind in ("electrolytic_capacitor", "polymer_capacitor"), f"rail {rail} of {volts:g} V"
    if rated and is_can:
        what, made_of = f"voltage rating of {name}, {rated:g} V, over {behind}", {held.at("voltage_rating"): 1.0}
        yield Usual(what, rated / volts, "1", 1.0, 4.0, made_of, place, far=3)
    if farad and is_can:
        total, pieces = farad * held.part.parallel, {held.path: held.part.parallel}
        what = f"{engineering(total, 'F', 3)} of {name} for each ampere of rail {rail}"
        yield Usual(what, total / amps, "F", 30e-6, 6e-3, {held.at("capacitance"): 1.0}, place, pieces, far=5)
    if henry:
        what = f"primary inductance of {name} times the {volts * amps:.3g} W of rail {rail}"
        made_of = {held.at("primary_inductance"): 1.0}
        yield Usual(what, henry * volts * amps, "H W", 4e-3, 0.15, made_of, place, far=5)
    if blocked and held.kind == "diode" and blocked < CLAMP_DIODE:
        what, made_of = (
            f"reverse rating of {name}, {blocked:g} V, over {behind}",
            {held.at("reverse_voltage_rating"): 1.0},
        )
        yield Usual(what, blocked / volts, "1", 3.0, 20.0, made_of, place, far=3)
        if mean:
            what = f"average rating of {name}, {mean:g} A, over the {amps:g} A of rail {rail}"
            yield Usual(what, mean / amps, "1", 1.0, 12.0, {held.at("average_current_rating"): 1.0}, place, far=3)


RULES = (
    Rule("counts", "how many pieces such a part comes in", PRACTICE, counts),
    Rule("structure_against_parts", "no part without a place in the structure", "the record itself",
         structure_against_parts),
    Rule("entered_twice", "no part stands twice", PRACTICE, entered_twice),
    Rule("output_banks", "capacitance at an output for its current", PRACTICE, output_banks),
    Rule("clamps_and_snubbers", "time constants of clamps and snubbers", PRACTICE, clamps_and_snubbers),
    Rule("snubber_impedance", "a snubber for the ring it damps", "sqrt(L / C); room " + PRACTICE, snubber_impedance),
    Rule("unmodelled_rail", "ratings of a standby stage against its rail", PRACTICE, unmodelled_rail),
)  # fmt: skip
