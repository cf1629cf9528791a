"""Readings ranked: where one input alone decides, in closed form and by simulation."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from demonstration import LANTERN
from scipy.stats import binomtest

from harness.judge.assess import assess
from harness.judge.instruments import measured_range, told
from harness.judge.joint_samples import joint_samples
from harness.judge.limits import Limit
from harness.judge.next_values import Crossings, crossings_of, is_settled, next_values, sentence, together, wilson
from harness.judge.open_verdicts import HandMargin, OpenVerdict, open_verdicts
from harness.plan.plan import UNREAD, Corner, Plan
from harness.simulate.campaign import Campaign
from netlists.errors import OptionError
from netlists.quantity import Quantity
from netlists.record import SupplyRecord, load_record

RESISTANCE = "line.resistance"
ANGLE = "stages.mains_rectifier.parts.C1.loss_angle"
AMBIENT = "nameplate.ambient"
PATHS = (RESISTANCE, ANGLE, AMBIENT)


def recorded(**changes: Mapping[str, object]) -> SupplyRecord:
    """lantern-65 without its measurement, with other efforts or instruments of some of the three inputs."""
    record = load_record(LANTERN)
    record = dataclasses.replace(record, data=record.data.model_copy(update={"measurements": {}}))
    quantities = dict(record.quantities)
    for name, change in changes.items():
        (path,) = [path for path in PATHS if path.endswith(name)]
        quantities[path] = dataclasses.replace(quantities[path], **change)
    return dataclasses.replace(record, quantities=quantities)


def verdict_on(record: SupplyRecord, label: str = "of a test") -> OpenVerdict:
    """A verdict that rests on the three inputs, each worse at its low end."""
    question = dataclasses.replace(Plan(record, []).questions("mains_rectifier")[0], label=label)
    unread = {path: (record.quantities[path].low, record.quantities[path].high) for path in PATHS}
    points: dict[Corner, tuple[Mapping[str, float], float]] = {
        "adverse": ({path: ends[0] for path, ends in unread.items()}, 1.0),
        "rescued": ({path: ends[1] for path, ends in unread.items()}, 1.0),
    }
    limit = Limit(1.0, 1.0, "high", "test")
    return OpenVerdict("mains_rectifier", {}, question, "inrush_peak", "line", limit, unread, points)


@dataclass(frozen=True)
class Linear:
    """Margin that is a weighted mean of the inputs' shares from worse to better, less an offset."""

    weights: tuple[float, float, float]
    offset: float = 0.5

    def __call__(self, verdict: OpenVerdict, corner: Corner, values: Mapping[str, float]) -> float:
        chosen = {**verdict.points[corner][0], **values}
        ends = verdict.unread
        shares = [(chosen[path] - ends[path][0]) / (ends[path][1] - ends[path][0]) for path in PATHS]
        return sum(w * s for w, s in zip(self.weights, shares, strict=True)) / sum(self.weights) - self.offset


def test_where_one_input_alone_decides_it_is_first_and_settles_all() -> None:
    record = recorded(resistance={"instrument": (0.0, 0.0)})
    verdicts = [verdict_on(record, label) for label in ("one", "two")]
    samples, refused = joint_samples(record, verdicts, 32, 1)
    assert len(samples) == 32
    assert not refused
    gains, still = next_values(record, verdicts, Linear((1.0, 0.04, 0.0)), samples)
    assert [gain.path for gain in gains] == [RESISTANCE, ANGLE]
    assert still == [AMBIENT]
    assert gains[0].fall == pytest.approx(2.0, abs=0.15)  # undecided is what lies within 2 % of the crossing, 4 in all
    assert gains[1].fall == 0
    assert not gains[1].can_settle
    assert "2 undecided verdicts" in sentence(gains[0], verdicts)
    assert f"{gains[0].fall:.2g} ({gains[0].low:.2g} to {gains[0].high:.2g})" in sentence(gains[0], verdicts)
    assert sentence(gains[1], verdicts).startswith("Measuring C1.loss_angle to 5 % with an LCR bridge")
    assert "settle none of 2" in sentence(gains[1], verdicts)


def test_share_settled_is_what_the_line_says() -> None:
    """Weights 2 and 1, offset a half: alone it is within from a share of 3/4 on, over below 1/4."""
    record = recorded(resistance={"instrument": (0.0, 0.0)})
    verdict = verdict_on(record)
    margin = Linear((2.0, 1.0, 0.0))
    found = crossings_of(margin, verdict, RESISTANCE, 1)
    low, high = verdict.unread[RESISTANCE]
    assert found.within == pytest.approx(low + 0.75 * (high - low), abs=2e-3 * (high - low))
    assert found.over == pytest.approx(low + 0.25 * (high - low), abs=2e-3 * (high - low))
    even = [{path: (record.quantities[path].low + (i + 0.5) / 200 * (record.quantities[path].high
             - record.quantities[path].low)) for path in PATHS} for i in range(200)]  # fmt: skip
    gains, _ = next_values(record, [verdict], margin, even)
    assert {gain.path: gain.fall for gain in gains} == pytest.approx({RESISTANCE: 0.5, ANGLE: 0.0}, abs=0.011)


def test_readings_together_settle_what_none_does_alone() -> None:
    """Three equal weights, offset a half: one alone reaches a third at most; all read exactly decide every sample."""
    exact = {"instrument": (0.0, 0.0)}
    record = recorded(resistance=exact, loss_angle=exact, ambient=exact)
    verdict = verdict_on(record)
    margin = Linear((1.0, 1.0, 1.0))
    samples, _ = joint_samples(record, [verdict], 32, 1)
    gains, _ = next_values(record, [verdict], margin, samples)
    assert [gain.can_settle for gain in gains] == [False] * 3
    assert together(record, [verdict, verdict], margin, samples, PATHS) == (1.0, 1.0)
    # two of three read: decided where the two alone reach the half, or miss it with the third at its best: the sum of
    # two even shares is above 3/2 or below 1/2, each with 1/8
    many, _ = joint_samples(record, [verdict], 512, 1)
    assert together(record, [verdict], margin, many, PATHS[:2]) == pytest.approx((0.25,), abs=0.02)


def test_a_coarse_instrument_settles_less() -> None:
    record = recorded(resistance={"instrument": (-0.5, 0.5)})
    verdict = verdict_on(record)
    crossings = Crossings(within=0.4, over=0.2)
    assert not is_settled(record, verdict, RESISTANCE, crossings, 0.5)  # 0.25 to 0.75, of which the record allows 0.6
    exact = recorded(resistance={"instrument": (0.0, 0.0)})
    assert is_settled(exact, verdict, RESISTANCE, crossings, 0.5)
    assert is_settled(exact, verdict, RESISTANCE, crossings, 0.15)
    assert not is_settled(exact, verdict, RESISTANCE, crossings, 0.3)
    assert not is_settled(exact, verdict, RESISTANCE, Crossings(None, None), 0.5)


def test_effort_changes_the_order_not_the_fall() -> None:
    cheap = recorded(resistance={"instrument": (0.0, 0.0)})
    dear = recorded(resistance={"instrument": (0.0, 0.0), "effort": 100.0}, loss_angle={"instrument": (0.0, 0.0)})
    margin = Linear((1.0, 0.9, 0.0), offset=0.3)  # within from 57 % of the one on, from 63 % of the other
    verdict = verdict_on(cheap)
    samples, _ = joint_samples(cheap, [verdict], 32, 1)
    first, _ = next_values(cheap, [verdict], margin, samples)
    then, _ = next_values(dear, [verdict], margin, samples)
    assert first[0].path == RESISTANCE
    assert then[0].path == ANGLE
    assert then[1].fall == first[0].fall
    assert then[1].per_effort == pytest.approx(first[0].fall / 100)


def test_same_seed_same_answer() -> None:
    record = recorded()
    verdict = verdict_on(record)
    margin = Linear((1.0, 0.5, 0.1))
    answers = [
        next_values(record, [verdict], margin, joint_samples(record, [verdict], 16, seed)[0], seed=seed)
        for seed in (7, 7, 8)
    ]
    assert answers[0] == answers[1]
    assert answers[0] != answers[2]


def test_readings_leave_what_their_instrument_says() -> None:
    record = recorded(resistance={"instrument": (-0.1, 0.2)})
    assert measured_range(record, RESISTANCE, 0.4) == pytest.approx((0.36, 0.48))
    assert measured_range(record, RESISTANCE, 0.55) == pytest.approx((0.495, 0.6))  # never wider than the record's own
    assert measured_range(record, AMBIENT, 20.0) == (18.0, 22.0)
    assert told(record, RESISTANCE) == "to -10/+20 %"
    assert told(record, AMBIENT) == "to 2 degC with a thermocouple"
    assert told(recorded(), RESISTANCE) == "to 10 % with a loop impedance tester"


def test_a_deviation_is_read_as_the_inferred_value() -> None:
    """5 % of an ESR leave 5 % of it, not 5 % of how far it is off its formula."""
    record = load_record(LANTERN)
    path = "stages.mains_rectifier.parts.C1.esr.deviation"
    open_ = Quantity(0.0, -0.3, 0.5, "1", "assumed")
    record = dataclasses.replace(record, quantities={**record.quantities, path: open_})
    assert measured_range(record, path, 0.2) == pytest.approx((0.2 - 0.06, 0.2 + 0.06))
    assert told(record, path) == "to 5 % with an LCR bridge, four wires"


@pytest.mark.parametrize(("count", "of"), [(0, 20), (7, 20), (20, 20), (33, 128)])
def test_interval_is_the_score_interval(count: int, of: int) -> None:
    interval = binomtest(count, of).proportion_ci(0.95, method="wilson")
    assert wilson(count / of, of) == pytest.approx((interval.low, interval.high), abs=1e-6)


def test_a_measurement_rules_samples_out() -> None:
    """A hold-up measured on the bench leaves no room for values that by hand miss it by more than both allow."""
    record = load_record(LANTERN)
    accepted, refused = joint_samples(record, [verdict_on(record)], 8, 1)
    assert len(accepted) + len(refused) == 8
    assert refused
    assert all(reason.startswith("measurement hold_up_115: holdup_time ") for reason in refused)
    assert "stages.mains_rectifier.parts.C1.capacitance" in accepted[0]  # a tolerance, sampled beside what is unread


def test_a_sample_number_is_a_power_of_two() -> None:
    with pytest.raises(OptionError, match="power of 2"):
        joint_samples(recorded(), [verdict_on(recorded())], 24, 1)


def test_by_simulation_the_input_left_open_settles_the_verdict(tmp_path: Path) -> None:
    """lantern-65's ripple current with all unread inputs known to 0.1 % but the line's resistance, which decides."""
    record = recorded()
    quantities = dict(record.quantities)
    for path, quantity in record.quantities.items():
        if quantity.known in UNREAD and path != RESISTANCE and not quantity.is_exact:
            ends = sorted(quantity.nominal * (1 + deviation) for deviation in (-1e-3, 1e-3))
            quantities[path] = quantity.with_values(quantity.nominal, *ends)
    quantities[RESISTANCE] = dataclasses.replace(quantities[RESISTANCE], instrument=(0.0, 0.0))
    rating = "stages.mains_rectifier.parts.C1.ripple_current_rating"
    record = dataclasses.replace(record, quantities=quantities)
    asked = next(
        question for question in Plan(record, []).questions("mains_rectifier")
        if (question.study, question.label) == ("line_ripple", "lowest line")
    )  # fmt: skip
    plan = Plan(record, [])
    plan.add("mains_rectifier", {"stages.mains_rectifier.feed": "bridge"}, asked)
    plan.answers = [answer for answer in plan.answers if answer.metric == "bulk_can_current_rms"]
    (answer,) = plan.answers
    hands = [answer.corners[corner].hand for corner in ("adverse", "rescued")]
    middle = sum(hand.value for hand in hands if hand is not None) / 2
    quantities[rating] = quantities[rating].with_values(middle, middle, middle)
    with Campaign(tmp_path, workers=2) as campaign:
        plan.run(campaign)
        plan.simulate_corners(campaign, plan.answers)
    rows = assess(record, plan, {}).metrics
    verdicts, left = open_verdicts(record, rows)
    assert [verdict.metric for verdict in verdicts] == ["bulk_can_current_rms"]
    assert not left
    for corner in ("adverse", "rescued"):  # with nothing read, the check's own values
        value = rows[0][corner]["value"]
        wanted = (middle - value) / middle
        assert HandMargin(record)(verdicts[0], corner, {}) == pytest.approx(wanted, abs=1e-9)
    samples, _ = joint_samples(record, verdicts, 32, 1)
    gains, _ = next_values(record, verdicts, HandMargin(record), samples)
    assert gains[0].path == RESISTANCE
    assert gains[0].fall >= 0.9
    assert all(gain.fall == 0 for gain in gains[1:])
