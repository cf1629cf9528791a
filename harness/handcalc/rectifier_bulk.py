"""Hand calculation of the rectifier and bulk stage: what the plan asks for, from the modules that hold it."""

from __future__ import annotations

import dataclasses

from harness.handcalc.rectifier_inrush import CHARGED_RISE as CHARGED_RISE
from harness.handcalc.rectifier_inrush import SETTLED_RISE as SETTLED_RISE
from harness.handcalc.rectifier_inrush import hottest_before_restart as hottest_before_restart
from harness.handcalc.rectifier_inrush import inrush as inrush
from harness.handcalc.rectifier_inrush import inrush_duration as inrush_duration
from harness.handcalc.rectifier_inrush import prepare as prepare
from harness.handcalc.rectifier_inrush import relay_closing as relay_closing
from harness.handcalc.rectifier_inrush import relay_late as relay_late
from harness.handcalc.rectifier_inrush import restart as restart
from harness.handcalc.rectifier_inrush import x_capacitor_spike as x_capacitor_spike
from harness.handcalc.rectifier_path import bulk_lumped as bulk_lumped
from harness.handcalc.rectifier_path import bus_power as bus_power
from harness.handcalc.rectifier_path import path as path
from harness.handcalc.rectifier_path import relay_closed as relay_closed
from harness.handcalc.rectifier_running import holdup as holdup
from harness.handcalc.rectifier_running import line_ripple as line_ripple
from harness.handcalc.rectifier_running import regulated_swing as regulated_swing
from harness.handcalc.rectifier_running import relay_stuck as relay_stuck
from harness.handcalc.rectifier_running import steady as steady
from netlists.point import Condition
from netlists.stages.rectifier_bulk import Params


def relevant(study: str, params: Params, condition: Condition) -> tuple[Params, Condition]:
    """Parameters and condition with all that a study's hand calculation does not read at fixed values.

    Two situations that are equal after this have the same hand calculation.
    """
    if study not in ("inrush", "line_ripple", "holdup"):  # few inputs, or a start made from nearly all of them
        return params, condition
    params = dataclasses.replace(params, undervoltage_cutoff=1.0, undervoltage_restart=2.0)
    if study == "inrush":
        params = dataclasses.replace(params, converter_efficiency=1.0, holdup_end_voltage=1.0)
        return params, dataclasses.replace(condition, output_power=0.0)
    if study == "line_ripple":
        params = dataclasses.replace(params, holdup_end_voltage=1.0)
    if params.thermistor is not None:
        params = dataclasses.replace(params, thermistor=dataclasses.replace(params.thermistor, time_constant=1.0))
    return params, condition
