"""Bucks of ``switching_designs`` with output networks behind them, and seeded records drawn around both.

Every value is drawn log-uniform between half and twice that of a design; shares of the load are drawn and made to add
up to 1. A draw has one or two branches, with or without ESL, shunt, filter, cable and connector, with or without a bank
at the converter, copper before the network, and sense at a branch. The ranges were committed before anything was tuned.
All values are of our own invention.
"""

from __future__ import annotations

import dataclasses
import random

from integration.switching_designs import BUCKS, LOADS, drawn

from netlists.point import Condition
from netlists.stages import buck
from netlists.stages.banks import Bank
from netlists.stages.output_network import Branch, Conductor, Connector, Network, Shunt
from netlists.stages.switching import Choke

HALF = 0.5


def drawn_network(seed: int) -> tuple[buck.Params, Condition]:
    """Record number ``seed``: a drawn buck whose first rail has a drawn network.

    Raises
    ------
    OptionError : the draw lies outside what a record may hold, an output above its input among them
    """
    source = random.Random(f"network {seed}")
    params = drawn(BUCKS[seed % len(BUCKS)], source)
    network = _network(source, params.rails[0].load_current)
    changes: dict[str, object] = {"network": network}
    if source.random() < HALF:
        changes["outputs"] = ()
    if source.random() < HALF:
        changes |= {"copper_resistance": 0.2e-3, "copper_inductance": 4e-9}
    first = dataclasses.replace(params.rails[0], **changes)  # type: ignore[arg-type]
    params = dataclasses.replace(params, rails=(first, *params.rails[1:]))
    condition = Condition(
        params.input_voltage, 0.0, sum(rail.voltage * rail.load_current for rail in params.rails), 25.0, supply="dc",
        load_fraction=source.choice(LOADS), probe=source.choice(("none", "desktop guide")),
    )  # fmt: skip
    return params, condition


def _network(source: random.Random, current: float) -> Network:
    """One or two branches; contacts and cans as many as the current asks for."""
    names = ("left", "right")[: source.choice((1, 2))]
    shares = [2 ** source.uniform(-1, 1) for _ in names]
    branches = tuple(
        _branch(source, name, share / sum(shares), current) for name, share in zip(names, shares, strict=True)
    )
    return Network("bus", branches, source.choice(("bank", *names)))


def _branch(source: random.Random, name: str, share: float, current: float) -> Branch:
    many = max(1, round(current * share / 10))
    is_filtered, has_esl = source.random() < HALF, source.random() < HALF
    cans = Bank(f"C_{name}", 560e-6, 9e-3, parallel=many, esl=5e-9 if has_esl else None)
    small = (Bank(f"CC_{name}", 22e-6, 3e-3, parallel=2 * many),) if source.random() < HALF else ()
    branch = Branch(
        name, Conductor(f"W_{name}", 0.8e-3, 10e-9), (cans, *small), HALF,
        shunt=Shunt(f"R_{name}", 1e-3, 2) if source.random() < HALF else None,
        filter_choke=Choke(f"L_{name}", 0.4e-6, 0.8e-3) if is_filtered else None,
        filter_banks=(Bank(f"CF_{name}", 470e-6, 12e-3, parallel=many),) if is_filtered else (),
        cable=Conductor(f"WC_{name}", 6e-3, 400e-9, parallel=many) if source.random() < HALF else None,
        connector=Connector(f"J_{name}", 2e-3, 2 * many) if source.random() < HALF else None,
    )  # fmt: skip
    found = drawn(branch, source)  # its share stays within 1, whatever is drawn
    assert isinstance(found, Branch)
    return dataclasses.replace(found, load_share=share)
