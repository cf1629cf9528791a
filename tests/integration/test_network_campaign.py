"""Random bucks with output networks: each is verified or fails by a kind, and agrees with its hand calculation."""

from __future__ import annotations

import pytest
from integration.network_designs import drawn_network
from steady import settled

from harness.handcalc import buck as buck_hand
from harness.handcalc import output_network as hand
from harness.judge.agreement import agreement
from harness.plan.switching_measures import buck_layout, measure_steady
from netlists.errors import OptionError, SimulationError

FEW, MANY = range(3), range(200)
VERIFIED, AGREES = 0.99, 0.99  # of what can be drawn


def judged(seed: int) -> tuple[int, list[str]] | None:
    """How many figures of a record's network were compared, and those that disagree; None: no possible record.

    Raises
    ------
    SimulationError : not verified
    """
    try:
        params, condition = drawn_network(seed)
    except OptionError:
        return None
    run, _ = settled("buck", params, condition)
    metrics = measure_steady(run, layout=buck_layout(params, condition))
    found = {(metric.name, metric.subject): metric.value for metric in metrics}
    expected = hand.expect(params.rails[0].output, condition, buck_hand.fed(params, condition, 0))
    wrong = [f"{seed} {key}" for key, one in expected.items() if agreement(found[key], one) != "agrees"]
    return len(expected), wrong


@pytest.mark.parametrize("seed", FEW)
def test_a_few_random_networks_agree(seed: int) -> None:
    found = judged(seed)
    assert found is None or found[1] == []


@pytest.mark.campaign
def test_random_networks_are_verified_and_agree() -> None:
    count, verified, compared = 0, 0, 0
    wrong: list[str] = []
    kinds: list[str] = []
    for seed in MANY:
        try:
            found = judged(seed)
        except SimulationError as error:
            kinds.append(error.kind)
            count += 1
            continue
        if found is not None:
            count, verified, compared = count + 1, verified + 1, compared + found[0]
            wrong += found[1]
    assert all(kinds), kinds  # loud
    assert verified >= VERIFIED * count
    assert len(wrong) <= (1 - AGREES) * compared, wrong
