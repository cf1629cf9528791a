"""The scripts people copy: all of them make a batch of some size, and the cheap ones run with --quick."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest
from demonstration import ROOT

SCRIPTS = ROOT / "scripts"
SIZES = {"inrush": 324, "holdup": 18, "ripple": 18, "stress": 18, "llc": 32}
CHEAP = {"holdup": 1, "ripple": 2}


@pytest.mark.parametrize("name", SIZES)
def test_a_sweep_script_makes_its_batch(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))
    script = importlib.import_module(f"sweep_{name}")
    assert script.batch(False).size == SIZES[name]
    assert 1 <= script.batch(True).size <= 2


@pytest.mark.parametrize("name", CHEAP)
def test_a_quick_sweep_runs(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))
    table = importlib.import_module(f"sweep_{name}").batch(True, results=tmp_path).run()
    assert [row.status for row in table.rows] == ["ok"] * CHEAP[name]


def test_a_sweep_script_runs_from_the_command_line(tmp_path: Path) -> None:
    command = [sys.executable, str(SCRIPTS / "sweep_inrush.py"), "--quick", "--results", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert "2 points: 2 ok, 0 failed, 0 rejected" in done.stdout
    assert (tmp_path / "sweeps" / "inrush.csv").read_text(encoding="utf-8").count("\n") == 3
