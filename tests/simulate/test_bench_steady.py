"""The benchmark of the steady state runs; its counts are held in test_periodic, its times are not looked at."""

from __future__ import annotations

from pathlib import Path

from demonstration import quick_benchmark


def test_bench_steady_quick(tmp_path: Path) -> None:
    result = quick_benchmark("steady", tmp_path)
    assert set(result) == {"processors", "ngspice", "stages", "sweeps"}
    for stage in result["stages"].values():
        assert stage["periods_beyond_search"] <= 26
    for sweep in result["sweeps"].values():
        assert len(sweep["search_periods"]) == 3
