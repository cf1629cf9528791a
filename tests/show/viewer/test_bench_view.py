"""The benchmark of the viewer runs; of its numbers only counts are looked at."""

from __future__ import annotations

from pathlib import Path

from demonstration import quick_benchmark


def test_bench_view_quick(tmp_path: Path) -> None:
    result = quick_benchmark("view", tmp_path)
    assert result["first_signals"] == 4
    assert result["zoom_samples"] == 200_000
    assert result["zoom_windows"] == 5
    assert result["list_runs"] == 20
    points = 2 * 1400 + 2
    assert result["zoom_bytes_most"] < 12 * points + 300
    assert result["first_answer_bytes"] < 4 * 12 * points + 600
    assert result["browser_zoom_milliseconds_95"] > 0
