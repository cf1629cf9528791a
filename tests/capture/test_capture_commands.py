"""`bulkrail capture` as a user meets it, upon the finished check of the demonstration: a bench of our own invention."""

from __future__ import annotations

import hashlib
import json
import math
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from demonstration import LANTERN, Checked
from scipy.integrate import trapezoid
from test_cli import bulkrail

from harness.capture.mapping import ColumnOptions
from harness.captures import About, Where, add_capture, compare_capture, stored_captures
from harness.contracts import FloatArray
from harness.plan.signals import signals_of
from harness.store import runs, views
from netlists.errors import OptionError
from netlists.record import load_record

GAIN, SHIFT, NOISE, STEP = 1.02, 1.2345e-3, 0.05, 5e-6  # of the bench: share, s, A, s
PATHS = ("capture:", "plot:", "comparison:")  # lines that are not folded
SAID = ("--instance", "mains_rectifier", "--condition", "claim inrush", "--gain", "3%", "--offset", "50mA")
COLUMNS = ("--column", "Strom=line_current", "--unit", "Strom=A", "--scale", "Strom=0.01")  # a probe of 100 mV/A


@pytest.fixture
def record(tmp_path: Path) -> Path:
    file = tmp_path / "lantern-65.toml"
    shutil.copy(LANTERN, file)
    return file


def simulated(checked: Checked) -> tuple[FloatArray, FloatArray, str]:
    """Time, line current and id of the run behind the claim of inrush."""
    run_id = checked.row("inrush_peak", "claim inrush")["run_id"]
    found = runs.read_run(runs.run_path(checked.results, run_id), signals=("line_current",)).run
    assert found.axis is not None
    return found.axis.values, found.signals["line_current"].values, run_id


def bench(checked: Checked, gain: float = GAIN) -> tuple[FloatArray, FloatArray]:
    """What a bench would show of it: 5 ms of nothing, then the surge, a little large, late, and with noise."""
    time, current, _ = simulated(checked)
    shown = np.arange(-5e-3, 30e-3, STEP)
    noise = np.random.default_rng(7).normal(0, NOISE, len(shown))
    return shown, gain * np.interp(shown - SHIFT, time, current, left=0.0) + noise


def written(file: Path, time: FloatArray, current: FloatArray) -> Path:
    """Milliseconds and millivolts of a probe with 100 mV/A, semicolons and decimal commas."""
    lines = [f"{t * 1e3:.4f};{i * 100:.3f}".replace(".", ",") for t, i in zip(time, current, strict=True)]
    file.write_text("Session;harbour bench\n\nZeit (ms);Strom (mV)\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return file


def said(text: str, pattern: str) -> str:
    match = re.search(pattern, text)
    assert match, f"{pattern} in {text}"
    return match[1]


def run(command: Callable[[], subprocess.CompletedProcess[str]], code: int) -> str:
    done = command()
    assert done.returncode == code, done.stdout + done.stderr
    assert done.stderr == ""
    assert max(len(line) for line in done.stdout.splitlines() if not line.startswith(PATHS)) <= 100
    return done.stdout


def test_add_list_and_compare(checked: Checked, record: Path, tmp_path: Path) -> None:
    time, current = bench(checked)
    file = written(tmp_path / "bench 1.csv", time, current)
    told = run(lambda: bulkrail("capture", "add", str(record), str(file), *SAID, *COLUMNS,
                                 "--taken", "2026-11-20", "--note", "clamp"), 0)  # fmt: skip
    assert "7000 samples over 34.99 ms; mains_rectifier of lantern-65" in told
    assert "time: column Zeit; good to 100 ppm; trigger at 0 s" in told
    assert "good to 3 % and 50 mA" in told
    assert "isolated" in told
    listed = run(lambda: bulkrail("capture", "list", str(record)), 0)
    sha = hashlib.sha256(file.read_bytes()).hexdigest()
    for text in ("bench-1", "line_current", "claim inrush", "2026-11-20", "clamp", sha[:12], "3 % and 50 mA"):
        assert text in listed
    picture = tmp_path / "deep" / "overlay.png"
    told = run(lambda: bulkrail("capture", "compare", str(record), "bench-1", "--results", str(checked.results),
                                "--plot", str(picture), "--json", str(tmp_path / "c.json")), 0)  # fmt: skip
    plain = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert plain["run_id"] == simulated(checked)[2]
    assert plain["lag"] == pytest.approx(-SHIFT, abs=1e-6)
    assert [row["name"] for row in plain["numbers"]] == ["surge_peak", "surge_i2t", "mean", "rms"]
    ours, values, run_id = simulated(checked)
    assert run_id[:12] in told
    assert "all numbers agree within their uncertainty" in told
    assert float(said(told, r"aligned by correlation: (-?[0-9.]+) ms")) == pytest.approx(-SHIFT * 1e3, abs=1e-3)
    assert float(said(told, r"surge_peak +([0-9.]+) A")) == pytest.approx(current.max(), rel=1e-3)
    assert float(said(told, r"surge_peak +[0-9.]+ A +([0-9.]+) A")) == pytest.approx(np.abs(values).max(), rel=1e-3)
    after = time >= SHIFT
    assert float(said(told, r"surge_i2t +([0-9.]+) A2s")) == pytest.approx(
        trapezoid(current[after] ** 2, time[after]), rel=2e-3
    )
    stop = time[-1] - SHIFT
    seen = ours <= stop
    assert float(said(told, r"rms +[0-9.]+ A +([0-9.]+) A")) == pytest.approx(
        math.sqrt(trapezoid(values[seen] ** 2, ours[seen]) / stop), rel=2e-3
    )
    # what remains: two hundredths of the surge and the noise, of which both are known
    left = math.hypot(0.02 * math.sqrt(trapezoid(values[seen] ** 2, ours[seen]) / stop), NOISE)
    assert float(said(told, r"remaining: RMS ([0-9.]+) mA")) == pytest.approx(left * 1e3, rel=0.03)
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert picture.stat().st_size > 10_000


def test_an_instrument_beyond_its_gain_differs(checked: Checked, record: Path, tmp_path: Path) -> None:
    """10 % where 3 % are stated: I2t, which is off by 21 %, shows it; the peak hangs on unread inputs and does not."""
    found = compare_capture(added(record, tmp_path, *bench(checked, 1.1)), "bench", checked.results, Where())
    agreeing = {row.name: row.consistent for row in found.found.rows}
    assert agreeing == {"surge_peak": True, "surge_i2t": False, "mean": False, "rms": False}
    assert {row.name: row.counted for row in found.found.rows}["surge_peak"] == "inputs"
    assert found.is_trusted
    assert found.exit_code == 1


def added(record: Path, folder: Path, time: FloatArray, current: FloatArray, scale: str = "0.01", **about: str) -> Path:
    """The record, with a capture ``bench`` put beside it; of the claim's condition where nothing is said."""
    columns = ColumnOptions(["Strom=line_current"], ["Strom=A"], [f"Strom={scale}"], ["3%"], ["50mA"])
    said_of_it = About("mains_rectifier", **(about or {"condition": "claim inrush", "trigger": "1.2345ms"}))
    add_capture(record, written(folder / "bench.csv", time, current), said_of_it, columns, replace=True)
    return record


@pytest.fixture
def kept(checked: Checked, record: Path, tmp_path: Path) -> Path:
    """The record with a capture ``bench`` beside it."""
    return added(record, tmp_path, *bench(checked))


@pytest.mark.parametrize(
    "where", [Where(), Where(align="level", level="10A"), Where(align="level", level="20A"), Where(align="trigger")]
)
def test_all_ways_to_align_find_the_shift(checked: Checked, kept: Path, where: Where) -> None:
    found = compare_capture(kept, "bench", checked.results, where)
    assert found.alignment.lag == pytest.approx(-SHIFT, abs=2 * max(found.lag_uncertainty, 2e-7))
    assert found.is_trusted
    assert found.exit_code == 0


def test_a_window_and_a_run_by_name(checked: Checked, kept: Path) -> None:
    run_id = simulated(checked)[2]
    found = compare_capture(kept, "bench", checked.results, Where(run=run_id[:8], start="1ms", stop="12ms"))
    assert (found.found.start, found.found.stop) == (1e-3, 12e-3)
    assert found.run_id == run_id
    assert found.notes == ()


def test_a_wrong_polarity_is_not_trusted(checked: Checked, record: Path, tmp_path: Path) -> None:
    added(record, tmp_path, *bench(checked), scale="-0.01")
    found = compare_capture(record, "bench", checked.results, Where(align="trigger"))
    assert found.exit_code == 1
    assert not found.is_trusted
    assert "its probe hangs the other way round" in found.notes[-1]
    found = compare_capture(record, "bench", checked.results, Where())  # lies on the second, opposite half cycle
    assert found.exit_code == 1
    assert re.fullmatch(r"Turned round it would agree by (0.99|1.00): see --scale of capture add", found.notes[-1])


def test_a_forgotten_factor_is_told(checked: Checked, record: Path, tmp_path: Path) -> None:
    added(record, tmp_path, *bench(checked), scale="0.1")
    found = compare_capture(record, "bench", checked.results, Where())
    assert found.alignment.lag == pytest.approx(-SHIFT, abs=20e-6)
    assert found.exit_code == 1
    assert "another size or level: look at probe factor" in found.notes[-1]


def test_a_capture_of_another_signal_is_not_trusted(checked: Checked, record: Path, tmp_path: Path) -> None:
    time, _ = bench(checked)
    added(record, tmp_path, time, np.sin(2 * np.pi * 377 * time))
    found = compare_capture(record, "bench", checked.results, Where())
    assert found.exit_code == 1
    assert "do not trust the alignment" in found.notes[-1]


@pytest.mark.parametrize(
    ("where", "words"),
    [
        (Where(signal="bulk_voltage"), "--signal: bench has no \"bulk_voltage\"; allowed: line_current"),
        (Where(align="level"), "--level: --align level needs one, such as --level 100A"),
        (Where(align="level", level="900A"), "--level: 900A is not crossed, rising, by line_current of both"),
        (Where(align="level", level="9V"), "--level: must be a value in A"),
        (Where(align="trigger", at="1"), "--align: 0 samples of the capture lie on the run"),
        (Where(start="3x"), "--from: must be a value in s"),
        (Where(run="zz"), "RUN: must be 4 to 64 digits"),
        (Where(condition="nowhere"), "--run: no stored run of mains_rectifier that fits bench has line_current"),
    ],
)  # fmt: skip
def test_what_cannot_be_compared_is_one_line(checked: Checked, kept: Path, where: Where, words: str) -> None:
    with pytest.raises(OptionError) as caught:
        compare_capture(kept, "bench", checked.results, where)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_several_conditions_are_named_and_a_voltage_chooses(checked: Checked, record: Path, tmp_path: Path) -> None:
    added(record, tmp_path, *bench(checked), note="of no stated condition")
    with pytest.raises(OptionError, match=r"--condition: several fit bench: .*inrush, claim inrush"):
        compare_capture(record, "bench", checked.results, Where())
    added(record, tmp_path, *bench(checked), study="inrush", line="231V")
    assert compare_capture(record, "bench", checked.results, Where()).run_id == simulated(checked)[2]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--instance", "mains_rectifer"), "nearest: mains_rectifier"),
        (("--condition", "claim inrus"), "nearest: claim inrush"),
        (("--study", "inrsh"), "nearest: inrush"),
        (("--trigger", "1s"), "--trigger: must lie in the file's time"),
        (("--taken", "20.11.2026"), "--taken: must be a date such as 2026-11-25"),
        (("--interval", "0s"), "--interval: must be more than 0 s"),
        (("--time-base", "fast"), "--time-base: must be a value"),
        (("--time-base", "50%"), "--time-base: must be 0 to 10 %"),
        (("--note", "x" * 501), "--note: must be at most 500 characters"),
        (("--name", "Bench 1"), "NAME: must be 1 to 60 of a-z"),
        (("--line", "230 W"), "--line: must be a value in V"),
    ],
)  # fmt: skip
def test_what_cannot_be_added_is_one_line(options: tuple[str, str], words: str, record: Path, tmp_path: Path) -> None:
    time = np.arange(20) * 1e-3
    file = written(tmp_path / "bench.csv", time, np.sin(time))
    field = options[0].removeprefix("--").replace("-", "_")
    about = About(**{"instance": "mains_rectifier", field: options[1]})  # type: ignore[arg-type]
    columns = ColumnOptions(["Strom=line_current"], ["Strom=A"], gains=["3%"])
    with pytest.raises(OptionError) as caught:
        add_capture(record, file, about, columns)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert not (tmp_path / "lantern-65.captures").exists()  # nothing is left behind


def test_a_damaged_capture_is_listed_as_such(kept: Path) -> None:
    path = kept.with_name("lantern-65.captures") / "bench.h5"
    path.write_bytes(path.read_bytes()[:-1])
    found, faults = stored_captures(kept)
    assert found == []
    assert len(faults) == 1
    assert "damaged, incomplete or no capture" in faults[0]


def test_bad_input_of_the_commands_ends_with_2(record: Path, tmp_path: Path) -> None:
    file = tmp_path / "bench.csv"
    file.write_text("time,amps\n" + "".join(f"{k},1\n" for k in range(9)) + "9,nan\n", encoding="utf-8")
    done = bulkrail("capture", "add", str(record), str(file), "--instance", "mains_rectifier", "--column",
                    "amps=line_current", "--gain", "3%")  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == 'bench.csv:11: column 2 must be a finite number, found "nan"\n'


def test_results_without_an_assessment_say_what_to_do(kept: Path, tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="holds no assessment of lantern-65; bulkrail check makes one"):
        compare_capture(kept, "bench", tmp_path, Where())


def test_the_known_signals_are_those_of_the_stored_runs(checked: Checked) -> None:
    """Names that a capture may take and names in run files come from different places."""
    record = load_record(LANTERN)
    for instance in ("mains_rectifier", "main_flyback"):
        known = set(signals_of(record, instance))
        ids = {row["run_id"] for row in checked.json["metrics"] if row["instance"] == instance and row["run_id"]}
        stored = set()
        for run_id in ids:
            path = runs.run_path(checked.results, run_id)
            stored |= set(views.signal_names(path)) if path.exists() else set()
        assert stored <= known | {"capacitor_voltage", "contact_current"}
        assert not stored or known & stored
