"""Bounds of parameters, what reaches the deck, and what of a record a result rests on."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from record_mutations import DEMONSTRATION
from test_decktext import CONDITION, PARAMS, lines_of

from netlists.errors import OptionError, RecordError
from netlists.parameters import listed
from netlists.point import Point
from netlists.record import load_record
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Params, Rectifier, Relay, Thermistor, params_from

RECORD = load_record(DEMONSTRATION)
NOMINAL, READS = params_from(RECORD, "mains_rectifier", Point())
NOMINAL_DECK = lines_of(NOMINAL)
# Read for hand calculation and the planning of runs; no element of the deck is made of it.
NOT_IN_DECK = {"stages.mains_rectifier.holdup_end_voltage"}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Bank("C1", -1e-4, 0.1), "Bank.capacitance: must be > 0 F, found -0.0001"),
        (lambda: Bank("C1", 0.0, 0.1), "Bank.capacitance: must be > 0 F, found 0"),
        (lambda: Bank("C1", float("nan"), 0.1), "Bank.capacitance: must be finite, found nan"),
        (lambda: Bank("C1", 1e-4, float("inf")), "Bank.esr: must be finite, found inf"),
        (lambda: Bank("C1", 1e-4, 0.1, parallel=0), "Bank.parallel: must be >= 1, found 0"),
        (lambda: Bank("C1", 1e-4, 0.1, series=1001), "Bank.series: must be <= 1000, found 1001"),
        (lambda: Bank("C1", 1e-4, 0.1, parallel=1.5), "Bank.parallel: must be a whole number, found 1.5"),
        (
            lambda: Bank("C1", 1e-4, 0.1, parallel=10**5000),
            "Bank.parallel: must be <= 1e+12, found a larger whole number",
        ),
        (lambda: Thermistor(5.0, 0.0, 0.01, 55.0), "Thermistor.b_value: must be > 0 K, found 0"),
        (lambda: Relay(0.01, -1.0), "Relay.closing_delay: must be > 0 s, found -1"),
        (
            lambda: Rectifier("bridge", 0.9, 2.0, 0.45),
            "Rectifier.slope_resistance: must be < forward_voltage / forward_test_current, found 0.45 ohm",
        ),
        (lambda: dataclasses.replace(PARAMS, bulk=()), "Params.bulk: needs at least one capacitor"),
        (lambda: dataclasses.replace(PARAMS, thermistor=None), "Params.relay: a relay needs a thermistor to bypass"),
        (
            lambda: dataclasses.replace(PARAMS, load="resistance"),
            "Params.load_resistance: needed where load is a resistance",
        ),
        (
            lambda: dataclasses.replace(PARAMS, undervoltage_restart=60.0),
            "Params.undervoltage_restart: must be > undervoltage_cutoff",
        ),
        (
            lambda: dataclasses.replace(PARAMS, converter_efficiency=1.01),
            "Params.converter_efficiency: must be <= 1, found 1.01",
        ),
        (lambda: dataclasses.replace(PARAMS, fuse_resistance=0.0), "Params.fuse_resistance: must be > 0 ohm, found 0"),
    ],
)
def test_bounds(make: Any, message: str) -> None:
    with pytest.raises(OptionError) as caught:
        make()
    assert str(caught.value) == message


def test_listed_names_every_number() -> None:
    found = {path: (value, unit) for path, value, unit in listed(PARAMS)}
    assert found["bulk.0.capacitance"] == (150e-6, "F")
    assert found["thermistor.b_value"] == (2800.0, "K")
    assert found["relay.closing_delay"] == (0.5, "s")
    assert "load_resistance" not in found
    assert found["rectifier.parallel"] == (1.0, "1")


@pytest.mark.parametrize("path", [path for path, q in RECORD.quantities.items() if q.known != "inferred"])
def test_a_value_changes_the_deck_exactly_where_it_was_read(path: str) -> None:
    quantity = RECORD.quantities[path]
    for factor in (1.01, 0.99):  # one of the two stays within the field's bounds
        point = Point({path: quantity.nominal * factor})
        try:
            params, reads = params_from(RECORD, "mains_rectifier", point)
            break
        except RecordError:
            continue
    else:
        pytest.fail("no factor was within bounds")
    assert reads == READS
    same = lines_of(params) == NOMINAL_DECK
    assert same == (path not in READS or path in NOT_IN_DECK)


def test_reads_are_leaves_and_structure_of_the_record() -> None:
    leaves = {path for path in READS if path in RECORD.quantities}
    assert all(RECORD.quantities[path].known != "inferred" for path in leaves)
    assert READS - leaves == {"stages.mains_rectifier.feed"}
    assert not any("main_flyback" in path or path.startswith(("nameplate", "claims")) for path in READS)


def nudged(params: Params, path: str) -> Params:
    """The parameters with one number a little lower, or a count one higher."""
    first, _, rest = path.partition(".")
    value = getattr(params, first)
    if isinstance(value, tuple):
        index, _, rest = rest.partition(".")
        items = list(value)
        items[int(index)] = nudged(items[int(index)], rest)
        return dataclasses.replace(params, **{first: tuple(items)})
    new = nudged(value, rest) if rest else (value + 1 if isinstance(value, int) else value * 0.99)
    return dataclasses.replace(params, **{first: new})


# Used by hand calculation and planning only: see above; the relay's delay becomes an instant of the scenario.
UNUSED_IN_DECK = {"holdup_end_voltage", "relay.closing_delay"}


@pytest.mark.parametrize("path", [path for path, _, _ in listed(PARAMS)])
def test_every_number_of_the_parameters_reaches_the_deck(path: str) -> None:
    changed = lines_of(nudged(PARAMS, path), CONDITION) != lines_of(PARAMS, CONDITION)
    assert changed == (path not in UNUSED_IN_DECK)


def test_values_that_are_possible_each_but_not_together_name_the_record(tmp_path: Path) -> None:
    bridge = "stages.mains_rectifier.parts.BD1"
    with pytest.raises(RecordError) as caught:
        params_from(RECORD, "mains_rectifier", Point({f"{bridge}.slope_resistance": 0.46}))
    assert str(caught.value).endswith(
        "stages.mains_rectifier: Rectifier.slope_resistance: "
        "must be < forward_voltage / forward_test_current, found 0.46 ohm"
    )
    with pytest.raises(OptionError, match=r"stages\.main_flyback: is no rectifier_bulk"):
        params_from(RECORD, "main_flyback", Point())
