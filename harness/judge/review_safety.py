"""Rules on the parts between mains and converter: safety capacitors, inrush, what a stage lacks."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.judge.review_facts import Facts
from harness.judge.review_rule import PRACTICE, Rule, Said, Severity, Usual, all_judged, likely
from harness.judge.review_tables import A_WATT
from netlists.formulas import leakage_current
from netlists.instances import BoostPfc, Buck, Flyback, Llc, RectifierBulk, TwoSwitchForward
from netlists.quantity import engineering

X_LIMIT = 100e-9  # F; below it no discharge is asked for: IEC 60950-1 2.1.1.7 (read in check-values)
LONGEST_DISCHARGE = 1.0  # s, time constant of pluggable equipment type A, as above
TYPE_B_DISCHARGE = 10.0  # s, of type B
# A, protective conductor or touch current of class I equipment: IEC 60950-1 5.1 and IEC 62368-1 5.7 have 3.5 mA, of
# class II 0.25 mA; from memory
LEAKAGE_CLASS_I, LEAKAGE_CLASS_II = 3.5e-3, 0.25e-3
LARGEST_Y = 11e-9  # F, one piece; common practice, no source
FAR_LARGEST_Y = 47e-9  # as above
MOST_WASTED = 0.6  # W for ever in a discharge resistor; common practice, no source
SMALLEST_X = 8e-9  # F, as above
INRUSH_NEEDS = 33e-6  # F of bulk from which something limits its inrush; common practice, no source
EMC_FROM = 20.0  # W from which mains supplies have filter parts; as above


def y_capacitor_size(facts: Facts) -> Iterator[Said]:
    """Leakage of Y capacitors at high line; an X capacitor's size in a Y class, and the other way round."""
    frequency = max([one.frequency_high.nominal for one in facts.bands.values() if one.frequency_high] or [50.0])
    held = [one for one in facts.of_kind("film_capacitor", "ceramic_capacitor") if one.safety_class]
    y_parts = [one for one in held if one.safety_class.startswith("Y") and one.value("capacitance")]
    for one in held:
        capacitance, is_y = one.value("capacitance"), one.safety_class.startswith("Y")
        if capacitance and is_y and capacitance > LARGEST_Y:
            leaks = engineering(leakage_current(capacitance, facts.line_high, frequency), "A", 3)
            says = (
                f"{one.designator} is {one.safety_class} with {engineering(capacitance, 'F', 3)}: each leaks {leaks} "
                f"at {facts.line_high:.4g} V {frequency:g} Hz; a unit's limit is 3.5 mA, 0.25 mA without earth"
            )
            x_sized = "X class, or " if capacitance >= 10 * SMALLEST_X else ""
            suggestion = f"{x_sized}{engineering(capacitance / 1e3, 'F', 3)} if u was read for n"
            severity: Severity = "wrong" if capacitance > FAR_LARGEST_Y else "doubtful"
            yield Said(severity, (one.at("capacitance"), one.path), says, suggestion)
        elif capacitance and not is_y and capacitance < SMALLEST_X:
            says = (
                f"{one.designator} is {one.safety_class} with {engineering(capacitance, 'F', 3)}; X capacitors "
                "have 10 nF to some uF"
            )
            suggestion = f"Y class, or {engineering(capacitance * 1e3, 'F', 3)} if n was read for u"
            yield Said("doubtful", (one.at("capacitance"), one.path), says, suggestion)
    # two Y capacitors, one from each conductor to earth: one of them sees the whole line
    whole = sum((one.value("capacitance") or 0) * max(1, one.part.parallel / 2) / one.part.series for one in y_parts)
    leaks_all = leakage_current(whole, facts.line_high, frequency)
    if y_parts and leaks_all > LEAKAGE_CLASS_I and all((one.value("capacitance") or 0) <= LARGEST_Y for one in y_parts):
        names = ", ".join(f"{one.part.parallel} x {one.designator}" for one in y_parts)
        says = (
            f"Y capacitors ({names}) leak {engineering(leaks_all, 'A', 3)} at {facts.line_high:.4g} V "
            f"{frequency:g} Hz; the limit is 3.5 mA with earth, 0.25 mA without"
        )
        yield Said("doubtful", tuple(path for one in y_parts for path in (one.at("capacitance"), one.path)), says)


def x_discharge(facts: Facts) -> Iterator[Said]:
    """X capacitors need a resistor that empties them within a second of pulling the plug."""
    across = [
        one for one in facts.of_kind("film_capacitor") if one.safety_class.startswith("X") and one.value("capacitance")
    ]
    total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in across)
    if not facts.is_mains or total <= X_LIMIT:
        return
    stages = {one.stage for one in across}
    paths = tuple(path for one in across for path in (one.at("capacitance"), one.path))
    resistors = [
        one for one in facts.of_kind("resistor") if one.stage in stages and not one.role and one.value("resistance")
    ]
    if not resistors:
        where = next(iter(stages))
        says = f"{engineering(total, 'F', 3)} of X capacitors in {where} and no resistor there that empties them"
        yield Said(
            "doubtful", (f"stages.{where}", *paths), says, "a discharge resistor not recorded, or a controller's own"
        )
        return
    ohms = 1 / sum(one.part.parallel / one.part.series / (one.value("resistance") or 1) for one in resistors)
    tau = ohms * total
    more = tuple(path for one in resistors for path in (one.at("resistance"), one.path))
    text = (
        f"{engineering(total, 'F', 3)} of X capacitors and {engineering(ohms, 'ohm', 3)}: a time constant of "
        f"{engineering(tau, 's', 3)}"
    )
    if tau > LONGEST_DISCHARGE:
        says = f"{text}; at most 1 s on a plug, 10 s elsewhere"
        made_of = {one.at("resistance"): 1.0 for one in resistors} | {one.at("capacitance"): 1.0 for one in across}
        suggestion = likely(facts, Usual("", tau, "s", 0.05, LONGEST_DISCHARGE, made_of))
        yield Said("wrong" if tau > TYPE_B_DISCHARGE else "doubtful", (*more, *paths), says, suggestion)
    watts = facts.line_high**2 / ohms
    if watts > MOST_WASTED or tau < 0.02:
        says = f"{text}, and {engineering(watts, 'W', 3)} lost at {facts.line_high:.4g} V for ever"
        yield Said(
            "doubtful", (*more, *paths), says, "a prefix or digit of the resistor, such as a code read literally"
        )


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
                what = (
                    f"energy rating of {held.designator}, {most:g} J, over the {engineering(joules, 'J', 3)} of "
                    f"the bulk at {facts.crest:.3g} V"
                )
                yield Usual(what, most / joules, "1", 1.0, 12.0, {held.at("energy_rating"): 1.0}, cans_at, far=3)
            if loss and time and joules:
                rise = joules / (loss * time)
                what = f"rise of {held.designator} by one inrush of {engineering(joules, 'J', 3)}"
                made_of = {held.at("dissipation_constant"): -1.0, held.at("time_constant"): -1.0}
                made_of |= {one.at("capacitance"): 1.0 for one in cans}
                yield Usual(what, rise, "K", 1.0, 160.0, made_of, cans_at, far=3)

    yield from all_judged(facts, numbers())


def farads_a_watt(facts: Facts) -> Iterator[Said]:
    """X capacitors, and film capacitors behind the bridge, for the supply's power."""

    def numbers() -> Iterator[Usual]:
        groups = {
            "across_the_line": [one for one in facts.of_kind("film_capacitor") if one.safety_class.startswith("X")],
            "behind_the_bridge": [one for one in facts.of_kind("film_capacitor") if one.role == "input_bank"
                                  and isinstance(facts.record.data.stages[one.stage], BoostPfc)],
        }  # fmt: skip
        for group, held in groups.items():
            what, span = A_WATT[group]
            known = [one for one in held if one.value("capacitance")]
            total = sum((one.value("capacitance") or 0) * one.part.parallel / one.part.series for one in known)
            if known and facts.is_mains:
                made_of = {one.at("capacitance"): 1.0 for one in known}
                beside = tuple(one.path for one in known)
                text = f"{what} of {engineering(total, 'F', 3)} for each of {facts.power:g} W"
                yield Usual(text, total / facts.power, "F", *span, made_of, beside, far=5)

    yield from all_judged(facts, numbers())


def _mains_stages(facts: Facts) -> tuple[list[str], tuple[str, ...]]:
    """Rectifiers on the mains, and the paths of the stages where parts of the line stand: a filter's first."""
    stages = facts.record.data.stages
    mains = [name for name, one in stages.items() if isinstance(one, RectifierBulk)] if facts.is_mains else []
    filters = [name for name, one in stages.items() if getattr(one, "kind", "") == "input_filter"]
    return mains, tuple(f"stages.{name}" for name in dict.fromkeys((*filters[:1], *mains[:1])))


def missing_fuse(facts: Facts) -> Iterator[Said]:
    """No fuse between mains and rectifier."""
    mains, place = _mains_stages(facts)
    if mains and not list(facts.of_kind("fuse")):
        yield Said("doubtful", place, "no fuse is recorded between mains and rectifier")


def missing_inrush_limiter(facts: Facts) -> Iterator[Said]:
    """Nothing that limits the inrush of a large bulk."""
    mains, _ = _mains_stages(facts)
    cans = sum((one.value("capacitance") or 0) * one.part.parallel for one in facts.in_role("bulk"))
    if mains and cans > INRUSH_NEEDS and not [*facts.in_role("inrush_limiter"), *facts.of_kind("thermistor")]:
        says = f"nothing limits the inrush into {engineering(cans, 'F', 3)}: no thermistor is recorded"
        yield Said("note", (f"stages.{mains[0]}",), says)


def _missing_in_filter(kind: str, what: str, safety: str = "") -> Callable[[Facts], Iterator[Said]]:
    """A rule: a supply whose filter is recorded has such a part in it."""

    def missing(facts: Facts) -> Iterator[Said]:
        mains, place = _mains_stages(facts)
        held = [one for one in facts.of_kind(kind) if one.safety_class.startswith(safety)]
        if mains and facts.power > EMC_FROM and place != (f"stages.{mains[0]}",) and not held:
            yield Said("note", place, f"no {what} is recorded at the line")

    return missing


def missing_in_stage(facts: Facts) -> Iterator[Said]:
    """Parts that stages of a kind nearly always have."""
    for name in _mains_stages(facts)[0]:
        yield from _undischarged(facts, name)
    for name, stage in facts.record.data.stages.items():
        yield from _missing_in(facts, name, stage)


def _undischarged(facts: Facts, name: str) -> Iterator[Said]:
    """A bulk that neither a converter nor a resistor empties."""
    fed = [one for one in facts.record.data.stages.values() if one.fed_by == name]
    resistors = [one for one in facts.of_kind("resistor") if one.stage == name]
    if facts.in_stage(name, "bulk") and not fed and not resistors:
        yield Said(
            "note", (f"stages.{name}",), f"nothing recorded empties the bulk of {name}: no bleeder, no converter"
        )


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
        for one, what in (
            (("diode", "mosfet"), "rectifier"),
            (("electrolytic_capacitor", "polymer_capacitor"), "capacitor"),
        ):
            if not kinds & set(one):
                yield Said("note", (f"stages.{name}",), f"{name} has a transformer and no output {what} recorded")
    if getattr(stage, "kind", "") == "standby" and "transformer" not in kinds and {"diode", "other"} & kinds:
        yield Said("note", (f"stages.{name}",), f"{name} has no transformer recorded")


SAFETY = "IEC 60384-14, IEC 60950-1 5.1 and IEC 62368-1 5.7, from memory"
RULES = (
    Rule("y_capacitor_size", "leakage of Y capacitors at high line; X and Y sizes", SAFETY, y_capacitor_size),
    Rule("x_discharge", "X capacitors are empty soon after the plug is out", "IEC 60950-1 2.1.1.7, IEC 62368-1 5.5.2.2",
         x_discharge),
    Rule("thermistor_energy", "joules of the bulk against the thermistor", "C V^2 / 2; room " + PRACTICE,
         thermistor_energy),
    Rule("farads_a_watt", "filter capacitance for the power", PRACTICE, farads_a_watt),
    Rule("missing_fuse", "a fuse between mains and rectifier", PRACTICE, missing_fuse),
    Rule("missing_inrush_limiter", "something that limits the inrush", PRACTICE, missing_inrush_limiter),
    Rule("missing_x_capacitor", "an X capacitor in a filter", PRACTICE,
         _missing_in_filter("film_capacitor", "X capacitor", "X")),
    Rule("missing_common_mode_choke", "a common mode choke in a filter", PRACTICE,
         _missing_in_filter("common_mode_choke", "common mode choke")),
    Rule("missing_varistor", "a varistor in a filter", PRACTICE, _missing_in_filter("varistor", "varistor")),
    Rule("missing_in_stage", "parts such a stage has", PRACTICE, missing_in_stage),
)  # fmt: skip
