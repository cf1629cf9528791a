"""The lines README has for notebooks, run as they stand there, on a stored run with the id they name."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from stored_runs import a_run, stored

README = Path(__file__).parents[1] / "README.md"
LINES = re.search(r"In a notebook, .*?```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
ARRAYS = "assert len(time) == len(volts) > 99; assert 20e-3 <= time[0] < time[-1] <= 30e-3; assert volts[0] == 325"
CHECKS = {
    "matplotlib": "line, = plt.gca().lines; assert list(line.get_xdata()) == list(time)",
    "xarray": "assert run.bulk_voltage.dims == ('time',) and run.bulk_voltage.attrs['units'] == 'V'\n"
    "assert (run.bulk_voltage.sel(time=slice(20e-3, 30e-3)).values == volts).all()\nrun.close()",
}


@pytest.mark.parametrize("package", CHECKS)
def test_the_line_for(package: str, tmp_path: Path) -> None:
    needed = {"xarray": ("xarray", "h5netcdf")}.get(package, (package,))
    if missing := [name for name in needed if importlib.util.find_spec(name) is None]:
        pytest.skip(f"{missing} not installed; no dependency of ours")
    stored(tmp_path / "results", a_run(case_id="d2d7" + 60 * "0"))
    assert LINES, "README has no lines for notebooks"
    shared, arrays, pyplot, netcdf = LINES[1].splitlines()
    text = "\n".join([shared, arrays, {"matplotlib": pyplot, "xarray": netcdf}[package], ARRAYS, CHECKS[package]])
    environment = {**os.environ, "MPLBACKEND": "Agg"}
    done = subprocess.run(
        [sys.executable, "-c", text],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
