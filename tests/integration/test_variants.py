"""Supplies unlike the demonstration: dc, half wave, a relay without a corrector, the boosted kiln. Hand and simulation
agree on every metric a supply has, and the searched switch-on angle is the worst of a grid of one degree."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from demonstration import KILN, LANTERN, changed_record
from in_process import answered

from harness.judge.agreement import agreement
from harness.plan import rectifier_bulk as planned
from harness.plan.plan import Plan
from harness.plan.rectifier_situation import Situation
from harness.plan.rectifier_switch_on import InrushStudy
from harness.plan.rounds import begun_here, run_rounds
from harness.simulate import worker
from harness.simulate.campaign import Campaign
from netlists.errors import DeckError
from netlists.point import Point
from netlists.record import SupplyRecord, load_record

RELAY = """
[stages.mains_rectifier.parts.K1]
kind = "relay"
role = "bypass_relay"
known = "assumed"
contact_resistance = "10m 50%"
closing_delay = "0.2 20%"
current_rating = { value = "10", known = "marked" }
making_current_rating = "40 20%"

[stages.main_flyback]
"""


def changed(folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    """The demonstration record without power-factor correction, changed."""
    return changed_record(LANTERN, folder, *changes)


def found_by_study(record: SupplyRecord, studies: tuple[str, ...]) -> dict[str, set[str]]:
    """Metrics found in each study at nominal values, after every one was seen to agree with its hand calculation."""
    names: dict[str, set[str]] = {}
    seen = set()
    for question in planned.questions(record, "mains_rectifier"):
        if question.study not in studies or question.study in seen or question.fixed:
            continue
        seen.add(question.study)
        situation, _ = planned.situation(record, "mains_rectifier", Point(), question)
        expected = planned.expect(question.study, situation)
        if not expected:
            continue
        result = answered(planned.STUDIES[question.study](situation))
        assert not result.error, result.error
        for key, expectation in expected.items():
            value = result.findings[key].metric.value
            assert agreement(value, expectation) == "agrees", (key, value, expectation)
        names[question.study] = {metric for metric, _ in expected}
    return names


def test_a_dc_supply(tmp_path: Path) -> None:
    record = changed(
        tmp_path,
        ('voltage_low = "100"', 'supply = "dc"\nvoltage_low = "250"'),
        ('voltage_high = "240"', 'voltage_high = "380"'),
        ('voltage_tolerance = "10%"\n', ""),
        ('frequency_low = "50"\nfrequency_high = "60"\n', ""),
        ('line_voltage = "230"\nline_frequency = "50"\n', 'line_voltage = "300"\n'),
        ('line_voltage = "115"\nline_frequency = "60"\nsource', 'line_voltage = "300"\nsource'),
        ('line_voltage = "115"\nline_frequency = "60"\nload', 'line_voltage = "300"\nload'),
    )
    found = found_by_study(record, ("inrush", "line_ripple", "holdup", "hot_restart", "x_capacitor"))
    assert {"inrush", "line_ripple", "holdup", "hot_restart"} == set(found)


def test_a_relay_without_a_corrector(tmp_path: Path) -> None:
    record = changed(tmp_path, ("\n[stages.main_flyback]\n", RELAY))
    found = found_by_study(record, ("held_relay", "relay_closing", "relay_late", "relay_stuck", "line_ripple"))
    assert {"held_relay", "relay_closing", "relay_late", "relay_stuck", "line_ripple"} == set(found)
    assert "relay_late_contact" in found["relay_late"]


def test_half_wave_with_single_diodes_and_a_resistance(tmp_path: Path) -> None:
    record = changed(
        tmp_path,
        ('feed = "bridge"', 'feed = "half_wave"'),
        ('load = "constant_power"', 'load = "resistance"\nload_resistance = { value = "900 10%", known = "assumed" }'),
        ('kind = "bridge_rectifier"', 'kind = "diode"\nparallel = 2'),
    )
    found = found_by_study(record, ("inrush", "line_ripple", "holdup"))
    assert {"inrush", "line_ripple", "holdup"} == set(found)


@pytest.mark.parametrize("bypass", ["diode", "none"])
def test_the_kiln(bypass: str, tmp_path: Path) -> None:
    file = tmp_path / "kiln.toml"
    text = KILN.read_text(encoding="utf-8").replace('bypass = "diode"', f'bypass = "{bypass}"')
    file.write_text(text, encoding="utf-8")
    found = found_by_study(
        load_record(file), ("inrush", "hot_restart", "relay_closing", "x_capacitor", "line_ripple", "holdup")
    )
    assert {"inrush", "hot_restart", "relay_closing", "x_capacitor", "line_ripple", "holdup"} == set(found)
    assert "bulk_can_current_rms" in found["line_ripple"]


def parameter_sets() -> dict[str, Situation]:
    """Three supplies; the large bulk on a stiff line heats its thermistor so early that the crest is not the worst."""
    lantern, kiln = load_record(LANTERN), load_record(KILN)
    question = next(q for q in planned.questions(lantern, "mains_rectifier") if q.study == "inrush")
    first, _ = planned.situation(lantern, "mains_rectifier", Point(), question)
    question = [q for q in planned.questions(kiln, "mains_rectifier") if q.study == "inrush" and not q.fixed][-1]
    boosted, _ = planned.situation(kiln, "mains_rectifier", Point(), question)
    bank = dataclasses.replace(first.params.bulk[0], capacitance=1.5e-3, esr=0.1)
    params = dataclasses.replace(
        first.params,
        bulk=(bank,),
        line_resistance=0.05,
        line_inductance=30e-6,
        choke_resistance=None,
        choke_inductance=None,
    )
    return {"lantern": first, "kiln": boosted, "large_bulk": dataclasses.replace(first, params=params)}


@pytest.mark.parametrize("name", ["lantern", "kiln", "large_bulk"])
def test_the_searched_angle_is_within_1_percent_of_a_grid_of_1_degree(name: str) -> None:
    situation = parameter_sets()[name]
    study = InrushStudy(situation)
    result = answered(study)
    found = result.findings["inrush_peak", "line"].metric.value
    study._stop = 1.2 * situation.period  # the peak is over by then, and 180 runs take a fifth of the time
    grid = {}
    for angle in range(180):
        request = study._request(float(angle), final=False)
        metrics = request.measure(worker.simulate(request.case, "0" * 64))
        grid[angle] = next(metric.value for metric in metrics if metric.name == "inrush_peak")
    worst = max(grid, key=lambda angle: grid[angle])
    assert found == pytest.approx(grid[worst], rel=0.01)
    if name == "large_bulk":
        assert abs(worst - 90) > 10, worst  # the crest is not the worst here
        assert found > grid[90] * 1.02


def test_a_converter_that_cuts_out_is_said_not_averaged(tmp_path: Path) -> None:
    """The cut-off stands between trough and crest at 100 V: the load hiccups, and no metric of it is offered."""
    record = changed(
        tmp_path,
        ('undervoltage_cutoff = { value = "60", low = "55", high = "64", known = "assumed" }',
         'undervoltage_cutoff = { value = "110", low = "108", high = "112", known = "assumed" }'),
        ('undervoltage_restart = { value = "85", low = "80", high = "90", known = "assumed" }',
         'undervoltage_restart = { value = "118", low = "116", high = "120", known = "assumed" }'),
        ('holdup_end_voltage = { value = "72", low = "66", high = "80"',
         'holdup_end_voltage = { value = "114", low = "113", high = "115"'),
    )  # fmt: skip
    question = next(q for q in planned.questions(record, "mains_rectifier") if q.label == "label's lowest voltage")
    situation, _ = planned.situation(record, "mains_rectifier", Point(), question)
    result = answered(planned.STUDIES["line_ripple"](situation))
    assert result.error.startswith("the converter cuts out")
    assert not result.findings


def test_a_case_that_cannot_be_a_deck_fails_its_study_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A deck refused while one study asks must not end the check of all others."""
    plan = Plan(load_record(LANTERN), ["mains_rectifier"])
    answer = next(answer for answer in plan.answers if answer.question.study == "line_ripple")
    study = planned.STUDIES["line_ripple"](answer.corners["nominal"].situation)

    def refuse() -> list[Any]:
        raise DeckError("number for a deck must lie in [0, 1], found 2")

    monkeypatch.setattr(study, "ask", refuse)
    with Campaign(tmp_path / "results", workers=1) as campaign:
        run_rounds(campaign, [begun_here(study)])
    assert study.result.error.startswith("number for a deck")


def test_the_cut_off_stands_at_its_upper_end_where_the_worst_is_asked() -> None:
    """No hand calculation of a metric moves with the cut-off, and yet it decides whether the supply runs."""
    plan = Plan(load_record(LANTERN), ["mains_rectifier"])
    path = "stages.mains_rectifier.undervoltage_cutoff"
    for answer in plan.answers:
        if answer.question.study in ("line_ripple", "holdup"):
            assert answer.corners["adverse"].point.values[path] == 64.0
            assert answer.corners["rescued"].point.values[path] == 55.0
            assert answer.corners["adverse"].situation.params.undervoltage_cutoff == 64.0
