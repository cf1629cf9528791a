"""Signals and conditions a capture may name, of every kind of stage."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import DRUM, KILN, LANTERN
from network_records import lamp_driver

from harness.plan.signals import PROBES, check_instance, questions_of, signals_of
from netlists.catalog import STAGES
from netlists.errors import OptionError
from netlists.record import load_record


@pytest.mark.parametrize(
    ("file", "instance", "some", "label"),
    [
        (LANTERN, "mains_rectifier", {"line_current": "A", "thermistor_temperature": "degC"}, "claim inrush"),
        (LANTERN, "main_flyback", {"switch_voltage": "V", "switch_current": "A"}, "high input, full load"),
        (KILN, "corrector", {"bus_voltage": "V", "feed_current": "A"}, "lowest line, crest"),
        (KILN, "logic_5v", {"high_voltage_a0": "V", "output_voltage_b": "V"}, "full load"),
        (DRUM, "main_24v", {"primary_current": "A", "output_voltage_a": "V"}, "low input, light load"),
    ],
    ids=["rectifier", "flyback", "corrector", "buck", "forward"],
)
def test_signals_and_labels(file: Path, instance: str, some: dict[str, str], label: str) -> None:
    record = load_record(file)
    found = signals_of(record, instance)
    assert some == {name: found[name].unit for name in some}
    assert label in {question.label for question in questions_of(record, instance)}


def test_a_network_has_the_signals_of_its_converter(tmp_path: Path) -> None:
    record = lamp_driver(tmp_path)
    found = signals_of(record, "bus")
    assert found == signals_of(record, "main")
    assert any(name.startswith("connector_voltage") for name in found)


def test_every_kind_of_stage_tells_its_signals() -> None:
    assert set(PROBES) == set(STAGES) - {"output_network"}


def test_an_instance_without_a_model_is_refused() -> None:
    with pytest.raises(OptionError, match=r'--instance: "lamp_output" is not simulated; allowed: main_flyback'):
        check_instance(load_record(LANTERN), "lamp_output")
