"""Rules on the list of parts: what a stage lacks, what was entered twice; safety parts of the line side; networks."""

from __future__ import annotations

from collections.abc import Iterator

from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Usual, all_judged
from netlists.formulas import leakage_current
from netlists.instances import BoostPfc, Buck, Flyback, Isolated, Llc, RectifierBulk, TwoSwitchForward
from netlists.quantity import engineering

X_LIMIT = 100e-9  # F; below it no discharge is asked for: IEC 60950-1 2.1.1.7 (read in check-values)
LONGEST_DISCHARGE = 1.0  # s, time constant of pluggable equipment type A, as above
TYPE_B_DISCHARGE = 10.0  # s, of type B
# A, protective conductor or touch current of class I equipment: IEC 60950-1 5.1 and IEC 62368-1 5.7 have 3.5 mA, of
# class II 0.25 mA; from memory
LEAKAGE_CLASS_I, LEAKAGE_CLASS_II = 3.5e-3, 0.25e-3
LARGEST_Y = 22e-9  # F, one piece; common practice, no source
SMALLEST_X = 8e-9  # F, as above
INRUSH_NEEDS = 33e-6  # F of bulk from which something limits its inrush; common practice, no source
EMC_FROM = 20.0  # W from which mains supplies have filter parts; as above


def y_capacitor_size(facts: Facts) -> Iterator[Said]:
    """Leakage of Y capacitors at high line; an X capacitor's size in a Y class, and the other way round."""
    frequency = max([one.frequency_high.nominal for one in facts.bands.values() if one.frequency_high] or [50.0])
    held = [one for one in facts.of_kind("film_capacitor", "ceramic_capacitor") if _class(one)]
    y_parts = [one for one in held if _class(one).startswith("Y") and one.value("capacitance")]
    for one in held:
        capacitance, is_y = one.value("capacitance"), _class(one).startswith("Y")
        if capacitance and is_y and capacitance > LARGEST_Y:
            leaks = engineering(leakage_current(capacitance, facts.line_high, frequency), "A", 3)
            says = (
                f"{one.designator} is {_class(one)} with {engineering(capacitance, 'F', 3)}: each piece leaks {leaks} at "
                f"{facts.line_high:.4g} V {frequency:g} Hz; the limit of a whole unit is 3.5 mA, 0.25 mA without earth"
            )
            x_sized = "X class, or " if capacitance >= 10 * SMALLEST_X else ""
            likely = f"{x_sized}{engineering(capacitance / 1e3, 'F', 3)} if u was read for n"
            yield Said("wrong", (one.at("capacitance"), one.path), says, likely)
        elif capacitance and not is_y and capacitance < SMALLEST_X:
            says = f"{one.designator} is {_class(one)} with {engineering(capacitance, 'F', 3)}; X capacitors have 10 nF to some uF"
            likely = f"Y class, or {engineering(capacitance * 1e3, 'F', 3)} if n was read for u"
            yield Said("doubtful", (one.at("capacitance"), one.path), says, likely)
    # two Y capacitors, one from each conductor to earth: one of them sees the whole line
    whole = sum((one.value("capacitance") or 0) * max(1, one.part.parallel / 2) / one.part.series for one in y_parts)
    leaks_all = leakage_current(whole, facts.line_high, frequency)
    if y_parts and leaks_all > LEAKAGE_CLASS_I and all((one.value("capacitance") or 0) <= LARGEST_Y for one in y_parts):
        names = ", ".join(f"{one.part.parallel} x {one.designator}" for one in y_parts)
        says = (
            f"Y capacitors ({names}) leak {engineering(leaks_all, 'A', 3)} at {facts.line_high:.4g} V {frequency:g} Hz; the "
            f"limit is 3.5 mA with earth, 0.25 mA without"
        )
        yield Said("doubtful", tuple(path for one in y_parts for path in (one.at("capacitance"), one.path)), says)


def _class(held: Held) -> str:
    return str(getattr(held.part, "safety_class", ""))


def x_discharge(facts: Facts) -> Iterator[Said]:
    """X capacitors need a resistor that empties them within a second of pulling the plug."""
    across = [one for one in facts.of_kind("film_capacitor") if _class(one).startswith("X") and one.value("capacitance")]
    total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in across)
    if not facts.is_mains or total <= X_LIMIT:
        return
    stages = {one.stage for one in across}
    paths = tuple(path for one in across for path in (one.at("capacitance"), one.path))
    resistors = [one for one in facts.of_kind("resistor") if one.stage in stages and not one.role and one.value("resistance")]
    if not resistors:
        where = next(iter(stages))
        says = f"{engineering(total, 'F', 3)} of X capacitors in {where} and no resistor there that empties them"
        yield Said("doubtful", (f"stages.{where}", *paths), says, "a discharge resistor not recorded, or a controller's own")
        return
    ohms = 1 / sum(one.part.parallel / one.part.series / (one.value("resistance") or 1) for one in resistors)
    tau = ohms * total
    more = tuple(path for one in resistors for path in (one.at("resistance"), one.path))
    text = f"{engineering(total, 'F', 3)} of X capacitors and {engineering(ohms, 'ohm', 3)}: a time constant of {engineering(tau, 's', 3)}"
    if tau > LONGEST_DISCHARGE:
        says = f"{text}; at most 1 s on a plug, 10 s elsewhere"
        yield Said("wrong" if tau > TYPE_B_DISCHARGE else "doubtful", (*more, *paths), says)
    watts = facts.line_high**2 / ohms
    if watts > 0.02 * facts.power or tau < 0.02:
        says = f"{text}, and {engineering(watts, 'W', 3)} lost at {facts.line_high:.4g} V for ever"
        yield Said("doubtful", (*more, *paths), says, "a prefix or digit of the resistor, such as a code read literally")


def thermistor_energy(facts: Facts) -> Iterator[Said]:
    """Joules the bulk takes at the highest line's crest against what the thermistor stands."""
    cans = [one for one in facts.in_role("bulk") if one.value("capacitance")]
    total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in cans)
    joules = 0.5 * total * facts.crest**2

    def numbers() -> Iterator[Usual]:
        for held in facts.in_role("inrush_limiter"):
            most, loss, time = (held.value(one) for one in ("energy_rating", "dissipation_constant", "time_constant"))
            cans_at = tuple(path for one in cans for path in (one.at("capacitance"), one.path))
            if most and joules:
                what = f"energy rating of {held.designator}, {most:g} J, over the {joules:.3g} J of the bulk at {facts.crest:.3g} V"
                yield Usual(what, most / joules, "1", 1.0, 12.0, {held.at("energy_rating"): 1.0}, cans_at, far=3)
            if loss and time and joules:
                rise = joules / (loss * time)
                what = f"rise of {held.designator} by one inrush of {joules:.3g} J: it"
                made_of = {held.at("dissipation_constant"): -1.0, held.at("time_constant"): -1.0}
                yield Usual(what, rise, "K", 1.0, 160.0, made_of, cans_at, far=3)

    yield from all_judged(facts, numbers())


def missing_part(facts: Facts) -> Iterator[Said]:
    """Parts a stage needs or nearly always has, and that are not recorded."""
    stages = facts.record.data.stages
    mains = [name for name, one in stages.items() if isinstance(one, RectifierBulk)] if facts.is_mains else []
    filters = [name for name, one in stages.items() if getattr(one, "kind", "") == "input_filter"]
    first = (filters or mains or [""])[0]
    if mains:
        place = (f"stages.{first}", *((f"stages.{mains[0]}",) if first != mains[0] else ()))
        if not list(facts.of_kind("fuse")):
            yield Said("doubtful", place, "no fuse is recorded between mains and rectifier")
        cans = sum((one.value("capacitance") or 0) * one.part.parallel for one in facts.in_role("bulk"))
        limited = [*facts.in_role("inrush_limiter"), *facts.of_kind("thermistor")]
        if cans > INRUSH_NEEDS and not limited:
            says = f"nothing limits the inrush into {engineering(cans, 'F', 3)}: no thermistor is recorded"
            yield Said("note", (f"stages.{mains[0]}",), says)
        if facts.power > EMC_FROM and filters:
            crossed = [one for one in facts.of_kind("film_capacitor") if _class(one).startswith("X")]
            if not crossed:
                yield Said("note", place, "no X capacitor is recorded across the line")
            if not list(facts.of_kind("common_mode_choke")):
                yield Said("note", place, "no common mode choke is recorded")
            if not list(facts.of_kind("varistor")):
                yield Said("note", place, "no varistor is recorded across the line")
    for name in mains:
        yield from _undischarged(facts, name)
    for name, stage in stages.items():
        yield from _missing_in(facts, name, stage)


def _undischarged(facts: Facts, name: str) -> Iterator[Said]:
    """A bulk that neither a converter nor a resistor empties."""
    fed = [one for one in facts.record.data.stages.values() if one.fed_by == name]
    resistors = [one for one in facts.of_kind("resistor") if one.stage == name]
    if facts.in_stage(name, "bulk") and not fed and not resistors:
        yield Said("note", (f"stages.{name}",), f"nothing recorded empties the bulk of {name}: no bleeder, no converter")


def _missing_in(facts: Facts, name: str, stage: object) -> Iterator[Said]:
    held = [one for one in facts.parts if one.stage == name]
    roles = {role for one in held for role in one.roles} | set(getattr(stage, "refers", {}))
    kinds = {one.kind for one in held}
    wanted: list[tuple[str, str]] = []
    if roles and isinstance(stage, Flyback):
        wanted = [("sense_resistor", "no sense_resistor: what ends its on-time?")]
    if roles and isinstance(stage, BoostPfc):
        wanted = [("input_bank", "no input_bank behind the bridge")]
    for role, says in wanted:
        if role not in roles:
            yield Said("note", (f"stages.{name}",), f"{name} has {says}")
    if roles and isinstance(stage, TwoSwitchForward | Llc | Flyback | Buck):
        banks = [one for one in held if one.role in ("output_bank", "second_bank")]
        big = [one for one in banks if one.kind != "ceramic_capacitor"]
        if banks and not big:
            yield Said("note", (f"stages.{name}",), f"{name} has ceramic capacitors alone at its output")
    if "transformer" in kinds and getattr(stage, "kind", "") == "standby":
        for one, what in ((("diode", "mosfet"), "rectifier"), (("electrolytic_capacitor", "polymer_capacitor"), "capacitor")):
            if not kinds & set(one):
                yield Said("note", (f"stages.{name}",), f"{name} has a transformer and no output {what} recorded")
    if getattr(stage, "kind", "") == "standby" and "transformer" not in kinds and {"diode", "other"} & kinds:
        yield Said("note", (f"stages.{name}",), f"{name} has no transformer recorded")


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
                    what = f"output bank of {name}, {engineering(total, 'F', 3)}: a period's charge as a share of its voltage"
                    made_of = {one.at("capacitance"): -1.0}
                    yield Usual(what, drop, "1", 2e-4, 0.035, made_of, (one.path,), {one.path: one.part.parallel}, far=5)

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


def unmodelled_rail(facts: Facts) -> Iterator[Said]:
    """Capacitors and diodes of a stage without a model, against the one rail it can make."""
    left = [name for name in facts.record.data.nameplate.rails if name not in facts.made_rails]
    spare = [name for name, stage in facts.record.data.stages.items() if getattr(stage, "kind", "") == "standby"]
    rail = facts.rail(left[0]) if len(left) == len(spare) == 1 else None
    if rail is None:
        return

    def numbers() -> Iterator[Usual]:
        for held in facts.parts:
            if held.stage != spare[0] or held.role:
                continue
            rated, place = held.value("voltage_rating"), (f"nameplate.rails.{left[0]}.voltage", held.path)
            if rated and held.kind.endswith("capacitor") and held.kind in ("electrolytic_capacitor", "polymer_capacitor"):
                what = f"voltage rating of {held.designator}, {rated:g} V, over rail {left[0]} of {rail[0]:g} V"
                yield Usual(what, rated / rail[0], "1", 1.0, 4.0, {held.at("voltage_rating"): 1.0}, place, far=3)
            blocked, mean = held.value("reverse_voltage_rating"), held.value("average_current_rating")
            if blocked and held.kind == "diode" and blocked < 400:  # a clamp's diode stands on the other side
                what = f"reverse rating of {held.designator}, {blocked:g} V, over rail {left[0]} of {rail[0]:g} V"
                yield Usual(what, blocked / rail[0], "1", 3.0, 20.0, {held.at("reverse_voltage_rating"): 1.0}, place, far=3)
                if mean:
                    what = f"average rating of {held.designator}, {mean:g} A, over the {rail[1]:g} A of rail {left[0]}"
                    yield Usual(what, mean / rail[1], "1", 1.0, 12.0, {held.at("average_current_rating"): 1.0}, place, far=3)

    yield from all_judged(facts, numbers())


SAFETY = "IEC 60384-14, IEC 60950-1 5.1 and IEC 62368-1 5.7, from memory"
RULES = (
    Rule("y_capacitor_size", "leakage of Y capacitors at high line; X and Y sizes", SAFETY, y_capacitor_size),
    Rule("x_discharge", "X capacitors are empty soon after the plug is out", "IEC 60950-1 2.1.1.7, IEC 62368-1 5.5.2.2",
         x_discharge),
    Rule("thermistor_energy", "joules of the bulk against the thermistor", "C V^2 / 2; room " + PRACTICE, thermistor_energy),
    Rule("missing_part", "parts such a stage has", PRACTICE, missing_part),
    Rule("entered_twice", "no part stands twice", PRACTICE, entered_twice),
    Rule("output_banks", "capacitance at an output for its current", PRACTICE, output_banks),
    Rule("clamps_and_snubbers", "time constants of clamps and snubbers", PRACTICE, clamps_and_snubbers),
    Rule("unmodelled_rail", "ratings of a standby stage against its rail", PRACTICE, unmodelled_rail),
)  # fmt: skip
