"""The benchmark of the steady state runs; its counts are held in test_periodic, its times are not looked at."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "scripts" / "bench_steady.py"


def test_bench_steady_quick(tmp_path: Path) -> None:
    file = tmp_path / "steady.json"
    command = [sys.executable, str(SCRIPT), "--quick", "--json", str(file)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    result = json.loads(file.read_text())
    assert set(result) == {"processors", "ngspice", "stages", "sweeps"}
    for stage in result["stages"].values():
        assert stage["periods_beyond_search"] <= 26
    for sweep in result["sweeps"].values():
        assert len(sweep["search_periods"]) == 3
