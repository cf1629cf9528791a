"""Settled rectifiers against Schade's parameters, the limit of a large capacitor, and three textbooks."""

from __future__ import annotations

import math
from functools import cache

import pytest
from exact_rectifier import exact_rectifier
from rectifier_bench import (
    CONDUCTION,
    CONVERGED,
    EDGE,
    MEANS,
    RIPPLE,
    STEPS_PER_PERIOD,
    Settled,
    figures,
    ideal_params,
    mains,
    off_by,
    run_stage,
    settled,
    signal,
)

from harness.postprocess import stress
from netlists.stages.rectifier_bulk import Scenario

PEAK = 1000.0  # of the source [V]: two diodes of 10 mV are 2e-5 of it
LOAD = 1000.0  # [ohm]: about 1 A, and L / R of a nanohenry is far below any angle
FREQUENCY = 50.0
OMEGA = 2 * math.pi * FREQUENCY

# check-values.md, "Capacitor-input rectifier": our own exact solution of the circuit of O. H. Schade, Analysis of
# Rectifier Operation, Proc. IRE 31, July 1943, pp. 341-361 (the paper from memory, the rows exact).
# pulses, omega R C, Rs / R: Vdc/Vp, ripple rms in % of Vdc, Vpp/Vp, conduction in deg, diode Irms/Iavg, diode
# Ipk/Iavg, source Irms/Idc
SCHADE = {
    (2, 4.0, 0.001): ("0.8113", "15.69", "0.4050", "67.8", "2.600", "9.29", "1.838"),
    (2, 10.0, 0.001): ("0.8972", "7.281", "0.2142", "44.6", "3.241", "14.80", "2.292"),
    (2, 10.0, 0.05): ("0.8167", "6.380", "0.1640", "69.5", "2.505", "7.90", "1.771"),
    (2, 40.0, 0.01): ("0.9328", "1.867", "0.0571", "41.4", "3.240", "13.18", "2.291"),
    (2, 100.0, 0.005): ("0.9586", "0.780", "0.0248", "32.7", "3.638", "16.58", "2.573"),
    (1, 10.0, 0.01): ("0.7796", "15.53", "0.3991", "65.5", "2.625", "8.97", "2.625"),
}
COLUMNS = ("mean", "ripple_rms", "ripple", "conduction", "diode_rms", "diode_peak", "source_rms")
TOLERANCES = {
    "mean": MEANS,
    "ripple_rms": RIPPLE,  # of a difference: the voltage less its mean
    "ripple": RIPPLE,
    "diode_rms": MEANS,
    # The highest current stands on the back of a pulse that rises in Rs C, 32 us at least: at a step of 20 us or less
    # it is a smooth crest, to be held like a ripple.
    "diode_peak": RIPPLE,
    "source_rms": MEANS,
}
CIRCUITS = pytest.mark.parametrize("circuit", SCHADE, ids=lambda c: f"{c[0]}-pulse-{c[1]:g}-{c[2]:g}")


@cache
def simulated(circuit: tuple[int, float, float], steps: int = STEPS_PER_PERIOD) -> Settled:
    pulses, omega_rc, ratio = circuit
    params = ideal_params(
        full_wave=pulses == 2,
        series_resistance=ratio * LOAD,
        capacitance=omega_rc / OMEGA / LOAD,
        load_resistance=LOAD,
    )
    # From a bulk that nobody calculated, six periods on: the slowest row settles by a factor of e in 6 ms.
    return settled(params, mains(PEAK, FREQUENCY), 0.9 * PEAK, 6, steps)


def in_schades_terms(run: Settled) -> dict[str, float]:
    metrics = run.metrics
    direct = run.mean / LOAD
    return {
        "mean": run.mean / PEAK,
        "ripple_rms": 100 * run.ripple_rms / run.mean,
        "ripple": run.ripple / PEAK,
        "conduction": run.conduction,
        "diode_rms": metrics["rectifier_current_rms"] / metrics["rectifier_current_average"],
        "diode_peak": metrics["rectifier_current_peak"] / metrics["rectifier_current_average"],
        "source_rms": metrics["line_current_rms"] / direct,
    }


@CIRCUITS
def test_exact_solution_reproduces_the_rows(circuit):
    """The rows are printed to three or four digits; the solution beside them is written anew and must round alike."""
    exact = exact_rectifier(*circuit)
    found = (
        exact.mean,
        100 * exact.ripple_rms / exact.mean,
        exact.ripple,
        exact.conduction,
        exact.diode_rms_ratio,
        exact.diode_peak_ratio,
        exact.rms_current / exact.mean,
    )
    for name, value, printed in zip(COLUMNS, found, SCHADE[circuit], strict=True):
        reference, rounding = figures(printed)
        assert value == pytest.approx(reference, abs=1.02 * rounding), name


@CIRCUITS
@pytest.mark.parametrize("column", COLUMNS)
def test_schade_rows(circuit, column):
    found = in_schades_terms(simulated(circuit))[column]
    printed = SCHADE[circuit][COLUMNS.index(column)]
    if column == "conduction":
        reference, rounding = figures(printed)
        assert found == pytest.approx(reference, abs=CONDUCTION + rounding)
    else:
        assert off_by(found, printed) <= TOLERANCES[column]


@CIRCUITS
def test_settled_run_is_settled_and_balances(circuit):
    """What the rows rest on: nothing drifts, and what the rectifier delivers the load takes."""
    pulses, _, _ = circuit
    run = simulated(circuit)
    assert abs(run.metrics["bulk_drift"]) < 1e-4 * run.mean  # a tenth of the least that is claimed of any mean
    delivered = pulses * run.metrics["rectifier_current_average"]
    assert delivered == pytest.approx(run.metrics["load_current_average"], rel=MEANS)  # two means


@CIRCUITS
def test_bulk_current_against_exact_solution(circuit):
    """Not in Schade's curves, but what a can endures; exact solution, tolerance of an RMS value."""
    exact = exact_rectifier(*circuit).capacitor_rms * PEAK / LOAD
    assert simulated(circuit).metrics["bulk_can_current_rms"] == pytest.approx(exact, rel=MEANS)


# --- C without end

# check-values.md, "Limit C -> infinity": Vdc / Vp = cos(th), tan(th) - th = pi Rs / (2 R) full wave (Terman's
# peak-detector result, from memory; digits exact).
LARGE_CAPACITOR = {0.005: "0.96006", 0.01: "0.93764", 0.02: "0.90354", 0.05: "0.83221", 0.10: "0.75180"}
# At omega R C = 1000 the ripple is 0.3 % of the peak; the exact solution lies 1e-5 below the limit (next test).
LARGE = 1000.0
APART = 0.003  # starts this far to each side of the limit


@pytest.mark.parametrize("ratio", LARGE_CAPACITOR)
def test_large_is_large_enough(ratio):
    limit, rounding = figures(LARGE_CAPACITOR[ratio])
    assert exact_rectifier(2, LARGE, ratio).mean == pytest.approx(limit, abs=2e-5 + rounding)


@pytest.mark.parametrize("ratio", LARGE_CAPACITOR)
def test_large_capacitor(ratio):
    """A large bulk takes a second to settle, so its settled voltage is found from the balance at two voltages.

    At each the rectifier delivers another current; where it would deliver what the load takes, the bulk would stay.
    The straight line between two points 0.6 % apart misses the curve by less than 1e-4 where it bends most (0.5 %).
    """
    limit, _ = figures(LARGE_CAPACITOR[ratio])
    params = ideal_params(
        full_wave=True, series_resistance=ratio * LOAD, capacitance=LARGE / OMEGA / LOAD, load_resistance=LOAD
    )
    (low, lacking), (high, spare) = (
        _balance(settled(params, mains(PEAK, FREQUENCY), side * limit * PEAK, 2)) for side in (1 - APART, 1 + APART)
    )
    assert lacking > 0 > spare  # the bulk rises from below and falls from above
    balanced = low + (high - low) * lacking / (lacking - spare)
    # a mean; the current reacts 5 to 30 times more than the voltage does, so the currents' 0.3 % are less here
    assert off_by(balanced / PEAK, LARGE_CAPACITOR[ratio]) <= 0.001


def _balance(run: Settled) -> tuple[float, float]:
    return run.mean, 2 * run.metrics["rectifier_current_average"] - run.metrics["load_current_average"]


# --- textbooks; 60 Hz

# A source whose resistance the books neglect: at 2e-5 of the load it costs 0.3 % of the peak of the half wave (exact
# solution). Rs C is then 1 us, and the first 8 us step into conduction still finds the peak to 0.2 %.
BOOK_RATIO = 2e-5


def book(
    full_wave: bool,
    peak: float,
    load: float,
    capacitance: float,
    ratio: float = BOOK_RATIO,
    steps: int = STEPS_PER_PERIOD,
    **diode: float,
) -> Settled:
    params = ideal_params(
        full_wave=full_wave,
        series_resistance=ratio * load,
        capacitance=capacitance,
        load_resistance=load,
        **diode,
    )
    return settled(params, mains(peak, 60.0), 0.95 * peak, 3, steps)


def test_hart_half_wave():
    """D. Hart, Power Electronics (2011), Ex. 3-9: 120 V, 60 Hz, 500 ohm, 100 uF; values from memory, then exact."""
    run = book(False, 120 * math.sqrt(2), 500.0, 100e-6)
    assert run.off == pytest.approx(93.04, abs=EDGE)  # exact; where the source falls faster than R C
    assert run.on == pytest.approx(48.23, abs=EDGE)  # exact
    assert run.ripple == pytest.approx(43.13, rel=RIPPLE)  # exact
    assert run.metrics["rectifier_current_peak"] == pytest.approx(4.515, rel=RIPPLE)  # exact; no stray sharpens it
    # The book rounds: 93 and 48 deg, 43 V, 4.50 A, within 0.5 % of the exact values.
    assert run.off == pytest.approx(93, abs=EDGE + 0.5)
    assert run.on == pytest.approx(48, abs=EDGE + 0.5)
    assert run.ripple == pytest.approx(43, rel=RIPPLE + 0.005)
    assert run.metrics["rectifier_current_peak"] == pytest.approx(4.50, rel=RIPPLE + 0.005)


def test_hart_full_wave():
    """Hart ch. 4, the same parts behind a bridge; values from memory, then exact."""
    run = book(True, 120 * math.sqrt(2), 500.0, 100e-6)
    assert run.on == pytest.approx(60.58, abs=EDGE)  # exact
    assert run.ripple == pytest.approx(21.88, rel=RIPPLE)  # exact
    assert run.mean == pytest.approx(159.24, rel=MEANS)  # exact
    assert run.on == pytest.approx(60.6, abs=EDGE + 0.05)  # the book's, one digit rounded away
    assert run.ripple == pytest.approx(22, rel=RIPPLE + 0.006)  # the book's, rounded by 0.6 %


def test_sedra_smith():
    """A. Sedra, K. Smith, Microelectronic Circuits, Ex. 3.9 (read): 100 V peak, 60 Hz, 10 kohm, C for 2 V of ripple.

    The book's approximation, C = Vp / (Vr f R), is 2.6 to 4.3 % high against the exact solution of its circuit.
    """
    capacitance = 100 / (2.0 * 60 * 10e3)
    assert off_by(capacitance * 1e6, "83.3") == 0
    # omega R C is 314 here. Near the crest the source changes by 2e-5 a degree, so diodes of 1 mV; with a resistance of
    # 1e-6 of the load the exact peak is 1 % less than without, and Rs C = 0.8 us wants steps of that length.
    run = book(False, 100.0, 10e3, capacitance, 1e-6, 20_000, forward_voltage=1e-3, emission=2e-3)
    in_conduction = run.metrics["rectifier_current_average"] * 360 / run.conduction
    top = run.metrics["rectifier_current_peak"]
    assert run.ripple == pytest.approx(1.918, rel=RIPPLE)  # exact
    assert top == pytest.approx(0.622, rel=RIPPLE)  # exact; nothing sharpens it
    # exact; over the conduction interval of 11 deg, of which the ends read 0.1 deg wrong
    assert in_conduction == pytest.approx(0.312, rel=RIPPLE)
    for found, published in ((run.ripple, 2.0), (top, 0.638), (in_conduction, 0.324)):
        assert published / found - 1 == pytest.approx(0.5 * (0.026 + 0.043), abs=0.5 * (0.043 - 0.026) + RIPPLE)


def test_malvino():
    """A. Malvino, Electronic Principles, Ex. 4-8 (read): bridge, 24 V, 5 kohm, 100 uF; two drops of 0.7 V, 60 Hz.

    Where the ripple has its top and its trough the rectifier carries just the load's current: there the diodes drop
    0.7 V, and more above by the emission coefficient. A drop that does not vary at all is read off the straight line
    through two coefficients at none (ngspice takes no saturation current below 1e-28 A, so no diode of 0.7 V has one
    below 0.46). The ripple bends away from that line by 0.2 % to 0.4 %.
    """
    steep, soft = (malvino_bridge(emission) for emission in (0.5, 1.0))
    ripple, top = 2 * steep.ripple - soft.ripple, 2 * steep.top - soft.top
    assert ripple == pytest.approx(0.507, rel=RIPPLE)  # exact, with two drops of 0.7 V
    # Published 32.55 V is the crest less two drops; it is the top of the ripple.
    assert top == pytest.approx(32.55, rel=MEANS)
    # Published 0.57 V: the formula I / (f C) is 7 % high, the rounded crest of 34 V adds 5 %; both percentages and the
    # published value are rounded, by 1 % in all.
    assert pytest.approx(0.57, abs=0.005) == 34 / 5e3 / (2 * 60 * 100e-6)
    assert ripple * 1.07 * 1.05 == pytest.approx(0.57, rel=RIPPLE + 0.01)


def malvino_bridge(emission: float) -> Settled:
    load = 5e3
    return book(
        True, 24 * math.sqrt(2), load, 100e-6, 2e-6, forward_voltage=0.7, test_current=32.5 / load, emission=emission
    )


# --- what the claims rest on


@pytest.mark.parametrize("circuit", [(2, 10.0, 0.001), (2, 40.0, 0.01), (1, 10.0, 0.01)], ids=str)
def test_half_the_step_changes_less_than_is_claimed(circuit):
    coarse = in_schades_terms(simulated(circuit))
    fine = in_schades_terms(simulated(circuit, 2 * STEPS_PER_PERIOD))
    for column, tolerance in TOLERANCES.items():
        assert coarse[column] == pytest.approx(fine[column], rel=CONVERGED * tolerance), column
    assert coarse["conduction"] == pytest.approx(fine["conduction"], abs=CONVERGED * CONDUCTION)


def test_twice_the_source_is_twice_everything():
    """With near-ideal diodes the circuit is linear in the source: a limit that no table is needed for."""
    circuit = (2, 10.0, 0.05)
    pulses, omega_rc, ratio = circuit
    params = ideal_params(
        full_wave=pulses == 2, series_resistance=ratio * LOAD, capacitance=omega_rc / OMEGA / LOAD, load_resistance=LOAD
    )
    one = simulated(circuit)
    two = settled(params, mains(2 * PEAK, FREQUENCY), 1.8 * PEAK, 6)
    assert two.mean == pytest.approx(2 * one.mean, rel=MEANS)
    assert two.ripple == pytest.approx(2 * one.ripple, rel=RIPPLE)


def test_nothing_flows_below_the_bulk():
    """A charged bulk above the crest: no current but the junctions' own charge, and R C alone discharges it."""
    params = ideal_params(full_wave=True, series_resistance=1.0, capacitance=100e-6, load_resistance=LOAD)
    run = run_stage(params, mains(300.0, FREQUENCY), Scenario(0.04, 2e-5, bulk_start=500.0))
    time, bulk = signal(run, "bulk_voltage")
    # RC decay, closed form: exp(-0.4)
    assert bulk[-1] == pytest.approx(500 * math.exp(-0.04 / (LOAD * 100e-6)), rel=MEANS)
    line = stress.peak("leak", "line", "A", *signal(run, "line_current"), float(time[0]) + 1e-4, 0.04)
    assert line.value < 1e-4  # 60 pF of junction at 100 kV/s draws 6 uA
