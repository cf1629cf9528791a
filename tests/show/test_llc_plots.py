"""Pictures of an LLC's runs, on a small made-up run: panels of its own, each mark on the trace it was taken from."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from stored_runs import run_id, stored

from harness.contracts import Axis, Metric, Run, Signal
from harness.show import plots, run_plot
from harness.show.panels import own_panel, panels_of, usual_signals
from harness.show.run_plot import draw_stretch
from harness.show.stretch import Stretch, Trace, read_stretch
from harness.stored import measured

PERIOD = 10e-6
TIME = np.linspace(0, 2 * PERIOD, 801)
TURN = 2 * np.pi * TIME / PERIOD
STEADY_TITLES = [
    "tank [A]", "resonant\ncapacitors [V]", "middle of\nthe bridge [V]", "rectifiers [A]", "rectifiers [V]",
    "output [V]",
]  # fmt: skip


def signals(secondary: str = "centre_tapped") -> dict[str, np.ndarray]:
    """Courses of an LLC at its resonance: 6 A in the tank, two rectifiers a place, a bus of 390 V."""
    positive = np.sin(TURN) > 0
    ends = ("",) if secondary == "centre_tapped" else ("_high", "_low")
    found = {
        "tank_current": 6 * np.sin(TURN - 0.5),
        "magnetising_current_0": 3 * np.arcsin(np.sin(TURN - np.pi / 2)) / (np.pi / 2),
        "resonant_voltage": -110 * np.cos(TURN - 0.5),
        "low_voltage_a": np.where(positive, 390.0, 0.0),
        "low_voltage_b": np.where(positive, 0.0, 390.0),
        "high_voltage_a": np.where(positive, 0.0, 390.0),
        "output_voltage_a": 24 + 0.05 * np.cos(2 * TURN),
        "load_voltage_a": 23.9 + 0.05 * np.cos(2 * TURN),
    }
    for end in ends:
        found[f"rectifier_current_p0{end}"] = -54 * np.where(positive, np.sin(TURN), 0.0)
        found[f"rectifier_current_n0{end}"] = 53 * np.where(positive, 0.0, np.sin(TURN))
        found[f"rectifier_voltage_p0{end}"] = np.where(positive, 0.0, 48.0)
        found[f"rectifier_voltage_n0{end}"] = np.where(positive, 48.0, 0.0)
    return found


def a_run(secondary: str = "centre_tapped") -> Run:
    units = {name: "A" if "current" in name else "V" for name in signals(secondary)}
    given = {
        name: Signal(name, unit, "", "current" if unit == "A" else "voltage", "", signals(secondary)[name])
        for name, unit in units.items()
    }
    return Run(run_id("llc"), "ok", Axis("time", "s", TIME), given)


def at(quarter: float) -> float:
    """Quarters of the last period [s]."""
    return PERIOD * (1 + quarter / 4)


TANK_PEAK = float(TIME[np.argmax(signals()["tank_current"][400:]) + 400])
# metric, subject, value, unit, instant, the signal it was taken from
METRICS = (
    ("primary_current_peak", "T1", 6.0, "A", TANK_PEAK, "tank_current"),
    ("switch_current_peak", "Q3", 6.0, "A", TANK_PEAK, "tank_current"),
    ("magnetising_current_peak", "T1", 3.0, "A", at(2), "magnetising_current_0"),
    ("switch_current_peak", "Q7", 27.0, "A", at(1), "rectifier_current_p0"),
    ("switch_voltage_peak", "Q3", 390.0, "V", at(0.5), "low_voltage_a"),
    ("switch_voltage_peak", "Q7", 48.0, "V", at(1.5), "rectifier_voltage_n0"),
    ("output_ripple", "coils", 0.1, "V", at(1), "output_voltage_a"),
)


def rows(run: Run) -> list[dict[str, Any]]:
    condition = {
        "label": "nominal input, full load", "study": "steady", "line_voltage": 390.0, "line_frequency": 0.0,
        "supply": "dc", "output_power": 888.0, "structure": {"stages.main.bridge": "full"},
    }  # fmt: skip
    return [
        {
            "instance": "main", "metric": metric, "subject": subject, "value": value, "unit": unit, "at": instant,
            "window": [PERIOD, 2 * PERIOD], "run_id": run.case_id, "adverse": {"run_id": run.case_id},
            "condition": condition,
        }
        for metric, subject, value, unit, instant, _ in METRICS
    ]  # fmt: skip


def test_an_llc_s_steady_state_has_panels_of_its_own_and_a_buck_s_has_not() -> None:
    found = panels_of("steady", signals())
    assert [title for title, _ in found] == STEADY_TITLES
    assert dict(found)["tank [A]"] == ("tank_current", "magnetising_current_0")
    assert dict(found)["middle of\nthe bridge [V]"] == ("low_voltage_a", "low_voltage_b")
    bridged = dict(panels_of("steady", signals("bridge")))
    assert bridged["rectifiers [A]"] == ("rectifier_current_p0_low", "rectifier_current_n0_low")
    buck = panels_of("steady", ["high_voltage_a0", "choke_current_a0", "output_voltage_a"])
    assert [title for title, _ in buck] == ["voltage [V]", "current [A]", "output [V]"]
    assert panels_of("unknown", signals()) == []


def test_usual_signals_of_a_steady_state_are_of_every_kind_of_stage() -> None:
    for study in ("steady", "lowest_input", "worst_instant"):
        assert {"tank_current", "choke_current_a0", "output_voltage_a"} <= set(usual_signals(study))
    assert own_panel("tank_current") == "tank [A]"
    assert own_panel("output_voltage_a") == own_panel("bulk_voltage") == ""


@pytest.mark.parametrize("place", range(len(METRICS)))
def test_a_mark_sits_on_the_trace_it_was_taken_from(place: int) -> None:
    """The rectifier's place has two pieces, so that its trace stands at twice the metric."""
    run, signal = a_run(), METRICS[place][-1]
    row = rows(run)[place]
    found = [
        name
        for _, drawn in panels_of("steady", run.signals)
        if (name := plots.marked_signal(row, drawn, run)) is not None
    ]
    assert found == [signal]


def texts(axis: Axes) -> list[str]:
    return [note.get_text() for note in axis.texts if isinstance(note, Annotation)]


def test_a_picture_of_an_assessment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = a_run()
    stored(tmp_path, run)
    figures: list[Figure] = []
    monkeypatch.setattr(plots.plt, "close", figures.append)
    (file,) = plots.draw(SimpleNamespace(metrics=rows(run), record="kiln-900"), tmp_path, tmp_path / "plots")  # type: ignore[arg-type]
    assert file.name == "kiln-900-main-steady-nominal-input-full-load-390-v-full.png"
    axes = figures[0].axes
    assert [axis.get_ylabel() for axis in axes] == STEADY_TITLES
    assert sorted(text for text in texts(axes[0])) == [
        "magnetising current peak 3 A",
        "primary current peak 6 A\nswitch current peak 6 A",
    ]
    assert texts(axes[3]) == ["switch current peak 27 A"]
    assert [texts(axis) for axis in axes[4:]] == [["switch voltage peak 48 V"], ["output ripple 100 mV"]]
    for axis in axes:  # room for a label beyond the extremes
        low, high = axis.get_ylim()
        values = np.concatenate([np.asarray(line.get_ydata(), dtype=float) for line in axis.get_lines()])
        assert low < values.min() - 0.2 * np.ptp(values)
        assert high > values.max() + 0.2 * np.ptp(values)


def test_marks_close_together_share_a_label() -> None:
    marks = {(1.0, "a"): [{"metric": "x"}], (1.005, "b"): [{"metric": "y"}], (3.0, "a"): [{"metric": "z"}]}
    found = plots._together(marks, 1.0)  # type: ignore[arg-type]
    assert [sorted(group) for group in found] == [[(1.0, "a"), (1.005, "b")], [(3.0, "a")]]


def test_a_picture_of_a_stored_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An overshoot has no level of its own: it stands at its peak's mark."""
    run = measured(stored(tmp_path, a_run(), study="steady"))
    found = read_stretch(run, usual=usual_signals("steady"))
    assert found.traces[0].name == "tank_current"
    window = (PERIOD, 2 * PERIOD)
    metrics = [Metric(name, subject, value, unit, window, when) for name, subject, value, unit, when, _ in METRICS]
    metrics.insert(0, Metric("switch_voltage_overshoot", "Q7", 3.0, "V", window, at(1.5)))
    stretch = Stretch(run, found.start, found.stop, found.first, found.last, found.traces, tuple(metrics))
    figures: list[Figure] = []
    monkeypatch.setattr(run_plot, "Figure", lambda **given: figures.append(Figure(**given)) or figures[-1])
    draw_stretch(stretch, tmp_path / "run.png")
    titles = [axis.get_ylabel() for axis in figures[0].axes]
    assert titles == [*STEADY_TITLES[:-1], "voltage [V]"]
    axes = dict(zip(titles, figures[0].axes, strict=True))
    (text,) = filter(None, texts(axes["rectifiers [V]"]))
    assert set(text.split("\n")) == {"switch voltage peak Q7 48 V", "switch voltage overshoot Q7 3 V"}
    assert list(filter(None, texts(axes["rectifiers [A]"]))) == ["switch current peak Q7 27 A"]
    assert list(filter(None, texts(axes["voltage [V]"]))) == ["output ripple coils 100 mV"]


def test_a_metric_whose_signal_is_not_drawn_stands_in_a_panel_of_its_unit(tmp_path: Path) -> None:
    run = measured(stored(tmp_path, a_run(), study="steady"))
    values = signals()
    traces = [Trace(name, unit, TIME, values[name]) for name, unit in (("tank_current", "A"), ("low_voltage_b", "V"))]
    metric = Metric("resonant_capacitor_voltage_peak", "C10", 110.0, "V", (PERIOD, 2 * PERIOD), at(1))
    stretch = Stretch(run, 0.0, TIME[-1], 0.0, TIME[-1], tuple(traces), (metric,))
    panels = {run_plot._panel(trace): [trace] for trace in traces}
    marks = run_plot._marks(stretch, panels)
    assert [mark.level for mark in marks["middle of\nthe bridge [V]"]] == [None]
    assert marks["tank [A]"] == []
