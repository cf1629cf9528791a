"""What a record must say of a two-switch forward converter, and what becomes of it when it does not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demonstration import DRUM, assert_both_ends_give_parameters, assert_fault_is_said, changed_record

from netlists.errors import OptionError, RecordError
from netlists.point import Condition, Point
from netlists.record import load_record
from netlists.stages import two_switch_forward as stage

TEXT = DRUM.read_text(encoding="utf-8")
DUTY = 'largest_duty = { value = "0.47", low = "0.45", high = "0.49"'


def test_parameters_are_the_parts_as_found() -> None:
    params, reads = stage.params_from(load_record(DRUM), "main_24v", Point())
    assert (params.high.designator, params.low.designator) == ("Q2", "Q3")
    assert (params.high_clamp.designator, params.low_clamp.designator) == ("D3", "D4")
    assert params.winding.ratio == 5.0
    assert params.ratio == pytest.approx(5.0 * (1 - 14e-6 / 4.6e-3) ** 0.5)
    assert params.output.load_current == 14.0
    assert params.snubber is not None
    assert params.snubber.resistance == pytest.approx(34.0)  # two in parallel
    assert "stages.main_24v.parts.T1.primary_turns" in reads  # the ratio is inferred from it
    assert not any("corrector" in path for path in reads)


def test_both_ends_of_every_range_give_parameters() -> None:
    record = load_record(DRUM)
    assert_both_ends_give_parameters(record, stage, "main_24v")


def test_a_largest_duty_above_one_half_is_refused_by_one_line(tmp_path: Path) -> None:
    with pytest.raises(RecordError) as caught:
        changed_record(DRUM, tmp_path, (DUTY, DUTY.replace("0.49", "0.52")))
    (line,) = str(caught.value).splitlines()
    assert "stages.main_24v.largest_duty: must be <= 0.5 in all of its range" in line
    assert "found 0.52" in line


@pytest.mark.parametrize(
    ("old", "new", "path", "says"),
    [
        ('rail = "drive_24v"', 'rail = "drive_12v"', "stages.main_24v.rail", "must name a rail"),
        ('role = "high_clamp"', 'role = ""', "stages.main_24v", "needs 1 part with role high_clamp"),
        ('role = "snubber_resistor"', 'role = ""', "stages.main_24v", "a snubber needs both"),
        ('role = "low_switch"', 'role = "high_switch"', "stages.main_24v", "needs 1 part with role high_switch"),
        ('leakage_quality = { value = "6"', 'core_quality = { value = "6"', "core_quality", "core_quality"),
        ('input_voltage_low = { value = "345", low = "335", high = "355"',
         'input_voltage_low = { value = "395", low = "390", high = "400"', "stages.main_24v.input_voltage",
         "must rise from"),
        ('role = "output_choke"\nknown = "measured"\ndescription = "powder core, yellow and white"\n',
         'role = "output_choke"\nknown = "measured"\nparallel = 2\n', "stages.main_24v.parts.L3.parallel", "must be 1"),
    ],
)  # fmt: skip
def test_a_fault_is_said_at_its_place(tmp_path: Path, old: str, new: str, path: str, says: str) -> None:
    assert_fault_is_said(lambda: changed_record(DRUM, tmp_path, (old, new)), path, says)


def test_a_leakage_above_the_inductance_is_a_finding_of_the_instance(tmp_path: Path) -> None:
    record = changed_record(
        DRUM, tmp_path, ('leakage_inductance = { value = "14u"', 'leakage_inductance = { value = "14m"')
    )
    with pytest.raises(RecordError, match=r"stages\.main_24v.*must be < primary_inductance"):
        stage.params_from(record, "main_24v", Point())


def test_without_roles_it_is_recorded_only(tmp_path: Path) -> None:
    start, stop = TEXT.index("[stages.main_24v]"), TEXT.index("[stages.standby_12v]")
    record = changed_record(DRUM, tmp_path, (TEXT[start:stop], re.sub('role = "[a-z_]+"\n', "", TEXT[start:stop])))
    assert not record.instance("main_24v").is_modelled()
    with pytest.raises(OptionError, match="recorded only"):
        stage.params_from(record, "main_24v", Point())


def test_both_gates_are_one() -> None:
    """Both switches commutate at the same instants of the period, with on-times centred on its begin."""
    params, _ = stage.params_from(load_record(DRUM), "main_24v", Point())
    high, low = stage.gates(params, 385.0)
    assert (high.on.fraction, high.on.per_duty) == (low.on.fraction, low.on.per_duty) == (0.0, -0.5)
    assert high.is_on(params.period, 0.35)
    assert high.held_at(0.47).pulse(params.period, 0.1) == high.pulse(params.period, 0.47)


def test_every_energy_store_is_a_state() -> None:
    """Own count: as many states as capacitors and inductances in the deck."""
    params, _ = stage.params_from(load_record(DRUM), "main_24v", Point())
    condition = Condition(385.0, 0.0, 336.0, 25.0, supply="dc", probe="desktop guide")
    lines = str(stage.bench(params, condition)).splitlines()
    stores = [line.split()[0] for line in lines if re.match(r"[CL]\w+ ", line)]
    found = [state.device.rsplit(".", 1)[-1] for state in stage.states(params, condition)]
    saturating = [name for name in stores if name.startswith("Cflux")]
    assert len(saturating) == 1
    assert sorted(found) == sorted(name.lower() for name in stores)
