"""The benchmark of batches runs; of its numbers only counts are looked at."""

from __future__ import annotations

from pathlib import Path

from demonstration import quick_benchmark


def test_bench_batch_quick(tmp_path: Path) -> None:
    result = quick_benchmark("batch", tmp_path)
    assert result["again_simulated"] == 0
    assert result["index_runs"] == 20
    assert result["parent_runs"] == 20
