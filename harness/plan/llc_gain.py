"""What a picture of an LLC converter's gain rests on: curves at the loads it is asked about, and lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.handcalc import llc as hand
from harness.handcalc.llc_gain import GainCurve, gain_curves
from harness.plan import isolated, llc
from harness.plan.plan import structures
from netlists.point import Point
from netlists.record import SupplyRecord
from netlists.stages.llc import params_from


@dataclass(frozen=True, slots=True)
class GainChart:
    """An instance at nominal values.

    Parameters
    ----------
    structure : the alternatives the curves are of, as a Point chooses them
    curves : what a load is called -> its curve, full load first
    resonance : series resonance [Hz];  lowest, highest : that the controller sets [Hz]
    buses : what an input is called -> [V]
    labels : of the operating points asked about, whether they have a steady state or not
    """

    structure: Mapping[str, str]
    curves: Mapping[str, GainCurve]
    resonance: float
    lowest: float
    highest: float
    buses: Mapping[str, float]
    labels: tuple[str, ...]


def gain_chart(record: SupplyRecord, instance: str) -> GainChart:
    """The chart of an instance, of its first alternative where its structure is not known."""
    point = Point({}, structures(record, instance)[0])
    params, _ = params_from(record, instance, point)
    asked = [one for one in isolated.questions(record, instance, (), params.output) if one.probe == "none"]
    about, _ = llc.situation(record, instance, point, asked[0])
    curves = gain_curves(params, about.condition, [fraction for fraction, _ in isolated.LOADS])
    return GainChart(
        point.structure,
        {name: curve for (_, name), curve in zip(isolated.LOADS, curves, strict=True)},
        hand.resonance(params),
        params.lowest_frequency,
        params.highest_frequency,
        {name: record.quantities[f"stages.{instance}.{field}"].nominal for field, name in isolated.INPUTS},
        tuple(one.label for one in asked if one.study == "steady"),
    )
