"""The lines below the table of a check: what a person must act on, each reason once."""

from __future__ import annotations

from typing import Any

from harness.show.table import _reasons


def row(metric: str, verdict: str, why: str, error: str, path: str) -> dict[str, Any]:
    return {
        "metric": metric, "subject": "Q1", "instance": "main", "verdict": verdict, "why": why, "unit": "V",
        "condition": {"label": "light load"}, "limit_source": "Q1 rating", "adverse": {"error": error, "value": None},
        "break_even": [], "break_even_alone": [], "agreement": "agrees",
        "sensitivities": [
            {"path": path, "low": 1.0, "high": 2.0, "unit": "H", "known": "assumed", "value_low": None,
             "value_high": 5.0, "changes_verdict": True, "by": "hand calculation"},
        ],
    }  # fmt: skip


def test_rows_without_a_model_at_other_ends_share_a_line_that_names_the_inputs() -> None:
    why, bursts = "at other ends of its inputs it bursts, which is not modelled", "bursts"
    one, other = "stages.main.parts.L1.inductance", "stages.main.parts.T1.leakage_inductance"
    rows = [row(f"metric_{n}", "undecided", why, bursts, path) for n, path in enumerate((one, one, other))]
    said, ends = _reasons(rows)
    assert said == f"undecided: metric_0 of Q1, metric_1 of Q1, metric_2 of Q1, light load: {why}"
    assert ends.count("L1.inductance (1 H to 2 H, assumed)") == 1
    assert "T1.leakage_inductance" in ends


def test_failed_rows_of_one_reason_share_a_line_and_undecided_ones_have_their_own() -> None:
    rows = [row(f"metric_{n}", "failed", "timestep", "timestep", "stages.main.x") for n in range(2)]
    rows.append(row("metric_2", "undecided", "depending on values", "", "stages.main.x"))
    lines = _reasons(rows)
    assert lines[0] == "undecided: metric_2 of Q1, light load: depending on values (Q1 rating)"
    assert lines[-1] == "failed: metric_0 of Q1, metric_1 of Q1, light load: timestep"
