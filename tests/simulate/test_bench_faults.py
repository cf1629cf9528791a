"""The benchmark of faults runs and loses no good job; its times are not looked at."""

from __future__ import annotations

from pathlib import Path

from demonstration import quick_benchmark


def test_bench_faults_quick(tmp_path: Path) -> None:
    result = quick_benchmark("faults", tmp_path)
    assert result["lost"]["good_lost"] == 0
    assert result["lost"]["faulty_that_returned_a_value"] == 0
    assert set(result) == {"processors", "ngspice", "lost", "kill", "checks", "campaign"}
