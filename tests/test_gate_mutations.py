"""Proof that the gate fails: parts of records are changed, simulated again, and the keys that fail are exactly these.

What is accepted first is the record as it is; ranges are closed (``gated.py``), so an assessment costs one study.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from demonstration import DRUM, LANTERN
from gated import Bench, failing

from harness.judge.gate import decide, passes


def bench_of(file: Path, folder: Path, instance: str, study: str, label: str) -> Bench:
    """A record that passes as it is."""
    bench = Bench(file, folder, instance, study, label)
    assert passes(decide(replace(bench.accepted, waivers=bench.waivers)))
    return bench


def put(old: str, new: str) -> Callable[[str], str]:
    return lambda text: text.replace(old, new, 1)


def without(*designators: str) -> Callable[[str], str]:
    """Takes parts out of a record's text."""

    def change(text: str) -> str:
        for designator in designators:
            text = re.sub(rf"(?ms)^\[stages\.\w+\.parts\.{designator}\]\n.*?(?=^\[)", "", text)
        return text

    return change


def keys(instance: str, label: str, *names: str) -> set[str]:
    return {f"{instance}/{name}/{label}" for name in names}


@pytest.fixture(scope="module")
def inrush(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return bench_of(LANTERN, tmp_path_factory.mktemp("inrush"), "mains_rectifier", "inrush", "highest line")


def test_a_lower_rating_fails_its_row_alone(inrush: Bench) -> None:
    failures = inrush.failures_of(put('surge_current_rating = "150"', 'surge_current_rating = "45"'))
    assert failing(failures) == keys("mains_rectifier", "highest line", "rectifier_surge_peak/BD1")
    assert {one.kind for one in failures if not one.waiver} == {"over"}


def test_a_missing_thermistor_fails_all_it_limits_and_all_it_had(inrush: Bench) -> None:
    """Without it inrush doubles, and the bulk rings above the crest with the line's inductance."""
    failures = inrush.failures_of(without("RT1"))
    own = ("thermistor_energy/RT1", "thermistor_temperature/RT1")
    assert failing(failures) == {
        *keys(
            "mains_rectifier", "highest line", *own, "inrush_peak/line", "inrush_i2t/F1", "rectifier_surge_peak/BD1",
            "rectifier_surge_i2t/BD1", "diode_reverse_peak/BD1", "bulk_voltage_peak/C1",
        ),
        *(f"waivers/{name}/{key}" for name, part in zip(("unjudged_2", "unjudged_1"), own, strict=True)
          for key in keys("mains_rectifier", "highest line", part)),
    }  # fmt: skip
    over = {one.key for one in failures if one.kind == "over"}
    assert over == keys("mains_rectifier", "highest line", "bulk_voltage_peak/C1")


def test_fewer_cans_fail_their_ripple_current_and_what_they_smoothed(tmp_path: Path) -> None:
    bench = bench_of(LANTERN, tmp_path, "main_flyback", "steady", "low input, full load")
    three = 'marking = "680u 25V 20% 105C"\nknown = "marked"\nparallel = 3'
    failures = bench.failures_of(put(three, three.replace("3", "2")))
    expected = keys(
        "main_flyback", "low input, full load", "capacitor_current_rms/C20", "capacitor_current_rms/C22",
        "output_ripple/lamp", "choke_current_peak/L2", "choke_ripple/L2", "saturation_current_needed/L2",
    )  # fmt: skip
    assert failing(failures) == expected
    # current shared by two instead of three is half as much again in each, and over the rating of 1.9 A
    (over,) = [one for one in failures if one.kind == "over"]
    assert over.key == "main_flyback/capacitor_current_rms/C20/low input, full load"


def test_a_lost_snubber_fails_the_voltage_it_held_down(tmp_path: Path) -> None:
    label = "high input, full load"
    bench = bench_of(DRUM, tmp_path, "main_24v", "steady", label)
    text = DRUM.read_text(encoding="utf-8")
    found = re.findall(r'(?m)^\[stages\.main_24v\.parts\.(\w+)\]\n(?:(?!^\[).*\n)*?role = "snubber_', text)
    assert len(found) == 2  # its resistor and its capacitor
    failures = bench.failures_of(without(*found))
    expected = keys(
        "main_24v", label, "diode_voltage_peak/D6", "diode_current_peak/D3", "diode_current_peak/D4",
        "diode_current_average/D3", "diode_current_average/D4", "diode_current_rms/D3", "diode_current_rms/D4",
    )  # fmt: skip
    assert failing(failures) == expected
    assert {one.kind for one in failures if one.key.startswith("main_24v/diode_voltage_peak")} == {"worse"}


RELAY = """
[stages.mains_rectifier.parts.K1]
kind = "relay"
role = "bypass_relay"
known = "marked"
contact_resistance = "8m"
closing_delay = "0.15"
current_rating = "16"
making_current_rating = "20"

[stages.mains_rectifier.parts.BD1]"""


def test_a_relay_that_closes_too_soon_fails_its_contact_and_a_slow_one_nothing(tmp_path: Path) -> None:
    """A slow relay spares its contact, since the bulk is full by then; a running load is a question of its own."""
    with_relay = tmp_path / "lantern-65.toml"
    text = LANTERN.read_text(encoding="utf-8")
    with_relay.write_text(text.replace("\n[stages.mains_rectifier.parts.BD1]", RELAY, 1), encoding="utf-8")
    bench = bench_of(with_relay, tmp_path / "bench", "mains_rectifier", "relay_closing", "highest line")
    soon = bench.failures_of(put('closing_delay = "0.15"', 'closing_delay = "0.03"'))
    assert failing(soon) == keys(
        "mains_rectifier", "highest line", "relay_closing_peak/line", "relay_closing_contact/K1"
    )  # fmt: skip
    slow = bench.failures_of(put('closing_delay = "0.15"', 'closing_delay = "0.25"'))
    assert failing(slow) == set()
