"""What is asked of the rectifier and bulk stage, and what it is expected to answer by hand."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Literal

from harness.handcalc import rectifier_bulk as hand
from harness.handcalc.expectation import Expectation
from harness.plan.bands import band_ends
from harness.plan.converters import end_is_simulated, lowest_input
from harness.plan.rectifier_measures import MEASURES as MEASURES
from harness.plan.rectifier_measures import Subjects as Subjects
from harness.plan.rectifier_measures import measure_holdup as measure_holdup
from harness.plan.rectifier_measures import measure_inrush as measure_inrush
from harness.plan.rectifier_measures import measure_line_ripple as measure_line_ripple
from harness.plan.rectifier_measures import measure_of as measure_of
from harness.plan.rectifier_measures import postprocess_version as postprocess_version
from harness.plan.rectifier_measures import recipe_of as recipe_of
from harness.plan.rectifier_measures import subjects as subjects
from harness.plan.rectifier_running import HoldupStudy, LineStudy, StuckRelayStudy, with_end
from harness.plan.rectifier_situation import Situation as Situation
from harness.plan.rectifier_switch_on import (
    ClosingStudy,
    HeldRelayStudy,
    HotRestartStudy,
    InrushStudy,
    LateRelayStudy,
    SpikeStudy,
)
from harness.plan.study import MetricRule, Question, Study
from netlists.point import Condition, Point
from netlists.record import SupplyRecord
from netlists.stages import rectifier_bulk as stage

STUDIES: dict[str, Callable[[Situation], Study]] = {
    "inrush": InrushStudy,
    "hot_restart": HotRestartStudy,
    "held_relay": HeldRelayStudy,
    "relay_closing": ClosingStudy,
    "relay_late": LateRelayStudy,
    "relay_stuck": StuckRelayStudy,
    "x_capacitor": SpikeStudy,
    "line_ripple": LineStudy,
    "holdup": HoldupStudy,
}

ANGLED = ("inrush", "hot_restart", "held_relay")  # studies that can be asked at one switch-on angle
CONDITIONS: tuple[str, ...] = ("line", "frequency", "power", "load", "ambient", "angle")  # see StagePlan

METRICS: dict[str, MetricRule] = {
    "inrush_peak": MetricRule("inrush", "high", "A", "largest line current at switch-on, X capacitors apart"),
    "inrush_i2t": MetricRule("inrush", "high", "A2s", "through the fuse until the bulk is charged"),
    "rectifier_surge_peak": MetricRule("inrush", "high", "A", "inrush through one package or diode"),
    "rectifier_surge_i2t": MetricRule("inrush", "high", "A2s", "inrush through one package or diode"),
    "diode_reverse_peak": MetricRule("inrush", "high", "V", "reverse voltage of one diode, spikes of the mains apart"),
    "bulk_voltage_peak": MetricRule("inrush", "high", "V", "across one can"),
    "thermistor_energy": MetricRule("inrush", "high", "J", "absorbed by the thermistor in one inrush"),
    "thermistor_temperature": MetricRule("inrush", "high", "degC", "mean of the disc after inrush"),
    "hot_restart_peak": MetricRule("hot_restart", "high", "A", "line back, thermistor hot, its relay dropped out"),
    "hot_restart_i2t": MetricRule("hot_restart", "high", "A2s", "the same through the fuse"),
    "hot_restart_surge_peak": MetricRule("hot_restart", "high", "A", "the same through one package or diode"),
    "held_relay_peak": MetricRule("held_relay", "high", "A", "line back, relay still closed, bulk at the cut-off"),
    "held_relay_i2t": MetricRule("held_relay", "high", "A2s", "the same through the fuse"),
    "held_relay_surge_peak": MetricRule("held_relay", "high", "A", "the same through one package or diode"),
    "held_relay_contact_peak": MetricRule("held_relay", "high", "A", "the same through the relay's contact"),
    "relay_closing_peak": MetricRule("relay_closing", "high", "A", "second peak of the line, load off until then"),
    "relay_closing_contact": MetricRule("relay_closing", "high", "A", "contact's current as it closes"),
    "relay_late_peak": MetricRule("relay_late", "high", "A", "second peak where the load runs before the relay closes"),
    "relay_late_contact": MetricRule("relay_late", "high", "A", "contact's current then"),
    "stuck_relay_current": MetricRule("relay_stuck", "high", "A", "thermistor's where the relay never closes"),
    "x_capacitor_spike": MetricRule("x_capacitor", "high", "A", "into the X capacitors, line closed at its crest"),
    "bulk_ripple": MetricRule("line_ripple", "high", "V", "peak to peak at twice the line frequency"),
    "bulk_voltage_trough": MetricRule("line_ripple", "low", "V", "lowest bulk voltage in running operation"),
    "bulk_can_current_rms": MetricRule("line_ripple", "high", "A", "one can, line part only"),
    "rectifier_current_average": MetricRule("line_ripple", "high", "A", "one package or diode"),
    "rectifier_current_rms": MetricRule("line_ripple", "high", "A", "one package or diode"),
    "rectifier_current_peak": MetricRule("line_ripple", "high", "A", "repetitive, one package or diode"),
    "thermistor_current_rms": MetricRule("line_ripple", "high", "A", "in running operation"),
    "line_current_rms": MetricRule("line_ripple", "high", "A", "X capacitors apart"),
    "holdup_time": MetricRule("holdup", "low", "s", "from line loss at the worst instant to the end voltage"),
}


# Lines a supply is measured on by others: what it draws there at switch-on is asked beside the record's own line.
REFERENCE_LINES: dict[str, tuple[float, float]] = {
    # IEC 60725: 0.4 ohm and 0.25 ohm at 50 Hz, line and neutral together; from memory
    "reference line": (0.4, 0.25 / (2 * math.pi * 50)),
    # near a transformer; common practice, no source
    "stiff line": (0.05, 30e-6),
}


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """What every rectifier and bulk stage is asked: the ends of each input band, and two lines of a known stiffness."""
    asked: list[Question] = []
    of_study = {study: tuple(m for m, rule in METRICS.items() if rule.study == study) for study in STUDIES}
    for name, band in record.data.nameplate.input_bands.items():
        lowest, highest = band_ends(band)
        plain = Question(
            study="inrush",
            label="highest line",
            band=name,
            line_voltage=highest,
            line_frequency=band.frequency_low.nominal if band.frequency_low else 0.0,
            output_power=band.output_power.nominal,
            load_fraction=1.0,
            metrics=of_study["inrush"],
            supply=band.supply,
        )
        asked.append(plain)
        for study in ("hot_restart", "held_relay", "relay_closing", "relay_late", "x_capacitor"):
            asked.append(dataclasses.replace(plain, study=study, metrics=of_study[study]))
        if band.supply == "mains":
            for label, (resistance, inductance) in REFERENCE_LINES.items():
                fixed = (("line.resistance", resistance), ("line.inductance", inductance))
                wanted = ("inrush_peak",)
                told = f"{label}, {resistance:g} ohm and {inductance * 1e6:.0f} uH"
                asked.append(dataclasses.replace(plain, label=told, metrics=wanted, fixed=fixed))
        low = dataclasses.replace(plain, label="lowest line", line_voltage=lowest)
        running = tuple(metric for metric in of_study["line_ripple"] if metric != "line_current_rms")
        asked.append(dataclasses.replace(low, study="line_ripple", metrics=running))
        label = "label's lowest voltage"
        asked.append(
            dataclasses.replace(
                low, study="line_ripple", label=label, line_voltage=band.voltage_low.nominal,
                metrics=("line_current_rms",),
            )
        )  # fmt: skip
        for study in ("relay_stuck", "holdup"):
            asked.append(dataclasses.replace(low, study=study, metrics=of_study[study]))
    return asked


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    point = point.with_values(dict(question.fixed))
    params, reads = stage.params_from(record, instance, point)
    converter = None
    if question.study == "holdup" and (behind := end_is_simulated(record, instance)) is not None:
        converter, read_there, lowest = lowest_input(record, behind, point, question.load_fraction)
        params = with_end(params, lowest)
        reads = (reads - {f"stages.{instance}.holdup_end_voltage"}) | read_there
    ambient, read_too = question.ambient_at(record, point)
    condition = Condition(
        question.line_voltage, question.line_frequency, question.output_power, ambient, supply=question.supply,
        load_fraction=question.load_fraction,
    )  # fmt: skip
    if question.study == "hot_restart":
        lowest, _ = band_ends(record.data.nameplate.input_bands[question.band])
        running = dataclasses.replace(condition, line_voltage=lowest)
        hot = hand.hottest_before_restart(params, running, condition)
        condition = dataclasses.replace(condition, thermistor_start=hot)
    provenance = (("record", record.name), ("instance", instance))
    rests_on = (set(reads) | read_too) - {path for path, _ in question.fixed}
    angle = question.angle if question.study in ANGLED else None
    return Situation(params, condition, subjects(record, instance, params.feed), provenance, converter, angle), rests_on


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    kind = record.instance(instance)
    missing = []
    if "boosted" in kind.choices("feed"):
        missing.append(
            (
                "line current and rectifier currents in running operation",
                "the corrector is simulated at instants of the line, not over its half wave",
            )
        )
        if record.parts_in_role(instance, "bypass_relay"):
            reason = "the line side is not simulated while the corrector runs"
            missing.append(("relay late or stuck open with the corrector running", reason))
    return missing


def worse_end(study: str, path: str) -> Literal["low", "high", ""]:
    """The worse end of an input that decides whether a supply runs at all, which no metric's hand calculation shows.

    A converter that stops and restarts at a higher bulk voltage drops out sooner.
    """
    running = study in ("line_ripple", "holdup", "relay_stuck", "relay_late")
    return "high" if running and path.endswith((".undervoltage_cutoff", ".undervoltage_restart")) else ""


def relevant(study: str, about: Situation) -> Situation:
    """A situation with all that the study's hand calculation does not read at fixed values."""
    params, condition = hand.relevant(study, about.params, about.condition)
    return dataclasses.replace(about, params=params, condition=condition)


def started(study: str, about: Situation) -> Situation:
    """Nothing its cases start from takes long to find."""
    return about


def prepare(study: str, situations: Sequence[Situation]) -> None:
    """Makes the hand calculations of many situations quicker by doing what they share at once."""
    hand.prepare(study, [(about.params, about.condition) for about in situations])


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation of a study; ArithmeticError where it has no solution, empty where a part for it is missing."""
    params, condition, names = about.params, about.condition, about.who.by_role
    if study in ("hot_restart", "held_relay"):
        needed = params.thermistor if study == "hot_restart" else params.relay
        return hand.restart(study, params, condition, names) if needed is not None else {}
    calculations: dict[str, Callable[[], dict[tuple[str, str], Expectation]]] = {
        "inrush": lambda: hand.inrush(params, condition, names),
        "relay_closing": lambda: hand.relay_closing(params, condition, names),
        "relay_late": lambda: hand.relay_late(params, condition, names),
        "relay_stuck": lambda: hand.relay_stuck(params, condition, names),
        "x_capacitor": lambda: hand.x_capacitor_spike(params, condition) if condition.supply == "mains" else {},
        "line_ripple": lambda: hand.line_ripple(params, condition, names),
        "holdup": lambda: hand.holdup(params, condition),
    }
    return calculations[study]()
