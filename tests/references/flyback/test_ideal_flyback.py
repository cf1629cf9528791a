"""The ideal reference itself: a textbook's example, closed forms, charge and power."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ideal_flyback import Circuit, solve

HART = Circuit(24.0, 40e3, 500e-6, 3.0, 5.0, 200e-6)


def test_hart() -> None:
    """D. Hart, Power Electronics, 2011, the flyback of ch. 7 (from memory): D 0.385, 0.540 A, 0.770/0.310 A, 0.96 %."""
    found = solve(HART, target=5.0)
    assert found.duty == pytest.approx(0.385, abs=5e-4)
    assert found.mean(found.magnetising) == pytest.approx(0.540, abs=2e-3)
    assert np.max(found.magnetising) == pytest.approx(0.770, abs=3e-3)
    assert np.min(found.magnetising) == pytest.approx(0.310, abs=2e-3)
    assert np.ptp(found.output) / 5.0 == pytest.approx(0.0096, abs=1e-4)
    assert found.idle == 0


@pytest.mark.parametrize("load", [50.0, 200.0])
def test_discontinuous_ratio(load: float) -> None:
    """Erickson, Maksimovic, ch. 5 (from memory), for a flyback: V / Vin = D sqrt(R / (2 L f)), L of the primary."""
    circuit = Circuit(300.0, 100e3, 120e-6, 6.0, load, 1e-3)
    found = solve(circuit, duty=0.08)
    assert found.idle > 0
    expected = 300.0 * 0.08 * math.sqrt(load / (2 * 120e-6 * 100e3))
    assert found.mean(found.output) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("target", [5.0, 3.0])
def test_charge_and_power_balance(target: float) -> None:
    circuit = Circuit(24.0, 40e3, 500e-6, 3.0, 5.0, 200e-6, 0.03, 0.2, 0.4, 0.02)
    found = solve(circuit, target=target)
    assert found.mean(found.capacitor) == pytest.approx(0.0, abs=1e-6)
    drawn = 24.0 * found.mean(found.switch)
    lost = 0.2 * found.rms(found.switch) ** 2 + 0.02 * found.rms(found.diode) ** 2
    lost += 0.4 * found.mean(found.diode) + 0.03 * found.rms(found.capacitor) ** 2
    assert drawn == pytest.approx(found.rms(found.output) ** 2 / 5.0 + lost, rel=1e-6)
