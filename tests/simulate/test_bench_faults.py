"""The benchmark of faults runs and loses no good job; its times are not looked at."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "scripts" / "bench_faults.py"


def test_bench_faults_quick(tmp_path: Path) -> None:
    file = tmp_path / "faults.json"
    command = [sys.executable, str(SCRIPT), "--quick", "--json", str(file)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    result = json.loads(file.read_text())
    assert result["lost"]["good_lost"] == 0
    assert result["lost"]["faulty_that_returned_a_value"] == 0
    assert set(result) == {"processors", "ngspice", "lost", "kill", "checks", "campaign"}
