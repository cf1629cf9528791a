"""Axes and designs: levels, sizes, samples, ageing. Nothing is simulated."""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pytest
from demonstration import KILN, LANTERN

from harness.batch.batch import questions_for
from harness.plan.plan import PLANS, kind_of
from harness.plan.sweep import Ageing, Axis, Design, Scale, points, scale_of, size_of, unread_axes
from harness.plan.sweep_points import Placer
from netlists.errors import OptionError, RecordError
from netlists.point import Reader
from netlists.record import load_record
from netlists.record_counts import count_paths, with_counts

RECORDS = {"mains_rectifier": load_record(LANTERN), "logic_5v": load_record(KILN), "main_24v": load_record(KILN)}
METRIC = {"mains_rectifier": "inrush_peak", "logic_5v": "output_ripple", "main_24v": "switching_frequency"}
CAN = "stages.mains_rectifier.parts.C1"
POLYMER = "stages.logic_5v.parts.C40"


def scale(path: str, *, instance: str = "mains_rectifier", **how: Any) -> Scale:
    record = RECORDS[instance]
    question = questions_for(record, instance, [METRIC[instance]], "")[0]
    return scale_of(Axis(path, **how), record, instance, question, PLANS[kind_of(record, instance)].CONDITIONS)


def test_levels_of_every_kind_of_axis() -> None:
    assert scale("condition.line", values=["115 V", 230]).levels == (115.0, 230.0)
    assert scale("condition.angle", start="0 deg", stop=90, count=4).levels == (0.0, 30.0, 60.0, 90.0)
    assert scale("line.inductance", start="1u", stop="100u", count=3, spacing="logarithmic").levels == pytest.approx(
        (1e-6, 1e-5, 1e-4)
    )
    assert scale(f"{CAN}.capacitance").levels == pytest.approx((120e-6, 150e-6, 180e-6))  # 150 uF 20 %
    assert scale("condition.line").levels == pytest.approx((90.0, 264.0))  # 100 to 240 V 10 %, asked at its highest
    assert scale("condition.ambient").levels == (5.0, 30.0, 45.0)
    assert scale(f"{CAN}.esr", factors=[1, 5]).levels == (1.0, 5.0)
    assert scale(f"{POLYMER}.parallel", instance="logic_5v", values=[2, 1]).levels == (2.0, 1.0)
    assert scale(f"{POLYMER}.parallel", instance="logic_5v", start=1, stop=3).levels == (1.0, 2.0, 3.0)
    assert scale("stages.mains_rectifier.feed").levels == ("bridge",)
    assert scale("ageing", values=[0, 1]).levels == (0.0, 1.0)


@pytest.mark.parametrize(
    ("path", "how", "said"),
    [
        ("condition.lin", {"values": [230]}, "no such axis; .*nearest: condition.line"),
        ("condition.line", {"values": ["230 V", "50 Hz"]}, 'must be a value in V such as "400", found "50 Hz"'),
        ("condition.line", {"values": [-230]}, "must be > 0"),
        ("condition.load", {}, "has no range in the record; give values"),
        ("stages.mains_rectifier.parts.BD1.forward_test_current", {}, "is exact in the record; give values"),
        ("condition.line", {"start": 100}, "start and stop go together"),
        ("condition.line", {"start": 240, "stop": 100, "count": 3}, "must have start < stop"),
        ("condition.line", {"start": 100, "stop": 240, "count": 1}, "count must be >= 2"),
        ("condition.line", {"start": 100, "stop": 240, "count": 10**10}, "10000000000 levels; a sweep has at most"),
        ("condition.angle", {"start": 0, "stop": 9, "count": 3, "spacing": "logarithmic"}, "needs start > 0"),
        ("condition.line", {"values": [230], "factors": [1]}, "must have one of .* found values and factors"),
        ("condition.line", {"factors": [1]}, "factors multiply a value of the record"),
        (f"{CAN}.esr", {"factors": [0]}, "a factor must be a number > 0"),
        (f"{CAN}.parallel", {"values": [1.5]}, "must be a whole number"),
        ("ageing", {"values": [2]}, "must lie within 0 .new. and 1"),
        (f"{CAN}.capacitance", {"distribution": "normal"}, "normal is for a measured value"),
        ("stages.mains_rectifier.feed", {"values": ["boosted"]}, '"boosted" is not stated in the record'),
    ],
)
def test_wrong_axes_are_one_line(path: str, how: dict[str, Any], said: str) -> None:
    with pytest.raises(OptionError, match=said) as caught:
        scale(path, **how)
    assert len(str(caught.value).splitlines()) == 1
    assert str(caught.value).startswith(f"axis {path}: ")


def test_ten_billion_points_are_refused_with_their_count_before_any_is_made() -> None:
    axes = ("condition.line", "condition.power", "condition.angle", "line.resistance", "line.inductance")
    scales = [scale(path, start=1, stop=2, count=100) for path in axes]
    tracemalloc.start()
    with pytest.raises(OptionError, match=r"10000000000 points \(1e\+10\); a sweep has at most 1000000"):
        size_of(scales, Design())
    assert tracemalloc.get_traced_memory()[1] < 100_000
    tracemalloc.stop()
    with pytest.raises(OptionError, match="10000000000 points"):
        size_of(scales, Design("random", 10**10))


def test_designs_that_cannot_be() -> None:
    line = scale("condition.line")
    for design, said in (
        (Design("grdi"), "design: unknown"),  # type: ignore[arg-type]  # on purpose
        (Design("sobol", 100), "powers of 2 only, such as 128"),
        (Design("random"), "needs a number >= 1"),
    ):
        with pytest.raises(OptionError, match=said):
            size_of([line], design)
    with pytest.raises(OptionError, match="at least one axis"):
        size_of([], Design())
    with pytest.raises(OptionError, match="no level; give values, or a count"):
        size_of([scale("condition.line", start=100, stop=240)], Design())


def test_grid_and_corners() -> None:
    scales = [scale("condition.line", values=[100, 170, 240]), scale(f"{CAN}.capacitance"), scale("ageing")]
    assert size_of(scales, Design()) == 18
    grid = list(points(scales, Design()))
    assert len(grid) == 18
    assert len({tuple(labels.values()) for labels in grid}) == 18
    corners = [tuple(labels.values()) for labels in points(scales, Design("corners"))]
    assert corners == [
        (line, pytest.approx(can), age) for line in (100, 240) for can in (120e-6, 180e-6) for age in (0, 1)
    ]


def test_a_latin_hypercube_has_one_sample_in_each_stratum_of_every_axis() -> None:
    """The property it is defined by (McKay, Beckman, Conover, Technometrics 21, 1979; from memory)."""
    scales = [scale("condition.line", start=100, stop=200), scale("condition.angle")]
    found = list(points(scales, Design("latin_hypercube", 50, seed=3)))
    for one, low, high in zip(scales, (100, 0), (200, 180), strict=True):
        shares = (np.array([float(labels[one.path]) for labels in found]) - low) / (high - low)
        assert sorted(np.floor(shares * 50)) == list(range(50))


def test_samples_follow_their_distribution_and_seed() -> None:
    """Sobol points integrate a smooth function far better than chance: the mean of 256 within 1e-4 of the middle."""
    path = "stages.inlet_filter.parts.L1.leakage_inductance"  # measured, 140 uH 10 %
    uniform = scale("condition.line", start=100, stop=200)
    logarithmic = scale("line.resistance", start=0.01, stop=1, spacing="logarithmic")
    normal = scale(path, distribution="normal")
    scales, design = [uniform, logarithmic, normal], Design("sobol", 256, seed=7)
    found = {one.path: np.array([float(labels[one.path]) for labels in points(scales, design)]) for one in scales}
    assert found["condition.line"].mean() == pytest.approx(150, rel=1e-4)
    assert np.log10(found["line.resistance"]).mean() == pytest.approx(-1, abs=1e-3)
    assert found[path].mean() == pytest.approx(140e-6, rel=1e-3)
    # a stated uncertainty is two standard deviations (JCGM 100:2008 6.2.1), so 95.45 % lie within it
    assert found[path].std() == pytest.approx(7e-6, rel=0.02)
    assert np.mean(np.abs(found[path] - 140e-6) < 14e-6) == pytest.approx(0.9545, abs=0.01)
    assert list(points(scales, design)) == list(points(scales, design))
    assert list(points(scales, Design("sobol", 256, seed=8))) != list(points(scales, design))


def test_levels_that_are_listed_are_sampled_evenly() -> None:
    found = [
        labels["condition.line"] for labels in points([scale("condition.line", values=[1, 2])], Design("sobol", 8))
    ]
    assert sorted(found) == [1] * 4 + [2] * 4


def placed(
    instance: str, levels: dict[str, Any], factors: dict[str, float] | None = None, ageing: Ageing | None = None
) -> Reader:
    """Reader of the one point that has some levels."""
    scales = [scale(path, instance=instance, values=[level]) for path, level in levels.items()]
    scales += [scale(path, instance=instance, factors=[factor]) for path, factor in (factors or {}).items()]
    asked = Placer(RECORDS[instance], scales, ageing)(next(points(scales, Design())))
    return Reader(asked.record, asked.point)


def test_ageing_takes_electrolytics_from_new_to_the_declared_end_of_life() -> None:
    """Also where the ESR is inferred from the capacitance, which falls: it counts as it was when new."""
    new, half, old = (placed("mains_rectifier", {"ageing": age}, ageing=Ageing(0.8, 2.0)) for age in (0, 0.5, 1))
    fresh = 0.15 / (2 * np.pi * 120 * 150e-6)  # loss angle over omega C
    for reader, capacitance, esr in ((new, 1.0, 1.0), (half, 0.9, 1.5), (old, 0.8, 2.0)):
        assert reader.value(f"{CAN}.capacitance") == pytest.approx(capacitance * 150e-6)
        assert reader.value(f"{CAN}.esr") == pytest.approx(esr * fresh)
    with pytest.raises(OptionError, match="go together"):
        placed("mains_rectifier", {"ageing": 1})


def test_factors_multiply_what_the_point_says() -> None:
    reader = placed("mains_rectifier", {f"{CAN}.capacitance": "300u"}, {f"{CAN}.esr": 5.0})
    assert reader.value(f"{CAN}.esr") == pytest.approx(5 * 0.15 / (2 * np.pi * 120 * 300e-6))


def test_counts_change_the_record_and_what_it_forbids_is_refused() -> None:
    record = placed("logic_5v", {f"{POLYMER}.parallel": 1}).record
    assert record.data.stages["logic_5v"].parts["C40"].parallel == 1
    assert RECORDS["logic_5v"].data.stages["logic_5v"].parts["C40"].parallel == 2
    assert f"{POLYMER}.parallel" in count_paths(record, "logic_5v")
    with pytest.raises(RecordError, match="Q3"):  # a full bridge has four switches
        with_counts(RECORDS["main_24v"], {"stages.main_24v.parts.Q3.parallel": 3})
    for path, number, said in (
        (f"{POLYMER}.parallel", 0, "must be 1 to 1000"),
        ("stages.x.parts.C1.parallel", 1, "no count"),
    ):
        with pytest.raises(OptionError, match=said):
            with_counts(RECORDS["logic_5v"], {path: number})


def test_unread_inputs_are_those_assumed_and_not_exact() -> None:
    record = RECORDS["mains_rectifier"]
    reads = [f"{CAN}.capacitance", f"{CAN}.loss_angle", "line.resistance", "stages.mains_rectifier.parts.RT1.b_value"]
    found = [axis.path for axis in unread_axes(record, reads, ["line.resistance"])]
    assert found == [f"{CAN}.loss_angle", "stages.mains_rectifier.parts.RT1.b_value"]
