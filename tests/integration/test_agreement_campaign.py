"""Random supplies: hand calculation and simulation must agree, or say why there is no number.

Ranges are committed here, log-uniform around plausible supplies of 20 to 300 W; 3 in CI, 100 behind the marker.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from in_process import answered

from harness.judge.agreement import agreement, difference
from harness.plan import rectifier_bulk as planned
from harness.plan.rectifier_bulk import Situation, Subjects
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Params, Rectifier, Relay, Thermistor


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def random_situation(seed: int) -> Situation:
    """A supply without power-factor correction, from 1 to 4 uF a watt, and a line it may meet."""
    rng = np.random.default_rng(seed)
    power = log_uniform(rng, 20, 300)
    half_wave = rng.random() < 0.15
    line = float(rng.choice([90.0, 115.0, 230.0, 264.0]))
    capacitance = power * 1e-6 * rng.uniform(1.5, 4.0) * (2 if half_wave else 1)
    cans = int(rng.integers(1, 4))
    esr = rng.uniform(0.04, 0.2) / (2 * math.pi * 120 * capacitance / cans)
    thermistor = relay = None
    if rng.random() < 0.8:
        thermistor = Thermistor(
            log_uniform(rng, 2, 15), rng.uniform(2500, 3500), rng.uniform(0.008, 0.03), rng.uniform(20, 120)
        )
        if rng.random() < 0.3:
            relay = Relay(rng.uniform(0.005, 0.05), 0.3)
    test_current = rng.uniform(1, 4)
    params = Params(
        feed="half_wave" if half_wave else "bridge",
        rectifier=Rectifier(
            "single" if half_wave or rng.random() < 0.3 else "bridge",
            rng.uniform(0.8, 1.1), test_current, rng.uniform(0.01, 0.06),
        ),
        bulk=tuple(Bank(f"C{n}", capacitance / cans, esr, 1, 1) for n in range(1, cans + 1)),
        load="constant_power",
        line_resistance=log_uniform(rng, 0.05, 1.0),
        line_inductance=log_uniform(rng, 30e-6, 1e-3),
        converter_efficiency=rng.uniform(0.75, 0.93),
        holdup_end_voltage=0.55 * line * math.sqrt(2),
        undervoltage_cutoff=0.4 * line * math.sqrt(2),
        undervoltage_restart=0.6 * line * math.sqrt(2),
        fuse_resistance=0.03,
        thermistor=thermistor,
        relay=relay,
    )  # fmt: skip
    condition = Condition(line, float(rng.choice([50.0, 60.0])), power, rng.uniform(0, 50))
    names = (("rectifier", "BD1"), ("fuse", "F1"), ("inrush_limiter", "RT1"), ("bypass_relay", "K1"))
    who = Subjects(
        names,
        tuple((b.designator, 1, 1) for b in params.bulk),
        1,
        params.rectifier.package == "bridge",
        params.feed == "bridge",
    )
    return Situation(params, condition, who, ())


def disagreements(seed: int) -> list[str]:
    """What of a random supply's metrics lies outside the declared difference."""
    situation = random_situation(seed)
    found = []
    for name in planned.STUDIES:
        try:
            expected = planned.expect(name, situation)
        except ArithmeticError:
            continue  # no settled operation at this line: the study says so, which its own tests show
        if not expected:
            continue  # the supply has no parts this study is about
        result = answered(planned.STUDIES[name](situation))
        if result.error:
            found.append(f"seed {seed} {name}: {result.error}")
            continue
        for key, expectation in expected.items():
            value = result.findings[key].metric.value
            if agreement(value, expectation) == "disagrees":
                found.append(
                    f"seed {seed} {key}: {value:.5g}, by hand {expectation.value:.5g}, {difference(value, expectation)}"
                )
    return found


@pytest.mark.parametrize("seed", range(3))
def test_three_random_supplies_agree(seed: int) -> None:
    assert disagreements(seed) == []


@pytest.mark.campaign
def test_a_hundred_random_supplies_agree() -> None:
    found = [line for seed in range(100) for line in disagreements(seed)]
    print("\n".join(found))
    assert len({line.split()[1] for line in found}) <= 3  # of 100 supplies
