"""What goes into a run file comes out again, or is refused with one line."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import h5py
import numpy as np
import pytest
from example_runs import METRICS, PARAMETERS, PROVENANCE, a_run, run_id

from harness.contracts import Axis, Metric, Run, Signal
from harness.store import files
from harness.store.runs import (
    SCHEMA_HISTORY,
    SCHEMA_VERSION,
    encode_run,
    read_run,
    rewrite_metrics,
    run_path,
    verify,
    write_bytes,
)
from netlists.errors import DamagedRunError, SchemaError, StoreError

F4_ROUNDING = 2.0**-24  # half a unit in the last place of f4, relative
OLD_FILE = Path(__file__).parent / "data" / "schema-1.h5"


def encoded(run: Run, **changed: object) -> bytes:
    given = {"postprocess_version": "3", "provenance": PROVENANCE, "parameters": PARAMETERS}
    return encode_run(run, METRICS, **(given | changed))


def complex_run() -> Run:
    frequency = np.geomspace(10.0, 1e6, 101)
    gain = 1 / (1 + 1j * frequency / 1e3)
    return Run(
        run_id("ac"),
        "ok",
        Axis("frequency", "Hz", frequency),
        {"gain": Signal("gain", "1", "loop", "voltage", "", gain)},
    )


def test_a_run_comes_back(store, tmp_path):
    run = a_run(samples=70_000)  # more than a chunk
    path = store(run)
    assert path == run_path(tmp_path, run.case_id) == tmp_path / "runs" / run.case_id[:2] / f"{run.case_id}.h5"
    back = read_run(path)
    assert np.array_equal(back.run.axis.values, run.axis.values)
    assert (back.run.axis.name, back.run.axis.unit) == ("time", "s")
    assert list(back.run.signals) == list(run.signals)
    for name, signal in run.signals.items():
        np.testing.assert_allclose(back.run.signals[name].values, signal.values, rtol=F4_ROUNDING, atol=0)
        assert dataclasses.replace(back.run.signals[name], values=None) == dataclasses.replace(signal, values=None)
    assert (back.run.case_id, back.run.status, back.run.log) == (run.case_id, "ok", run.log)
    assert back.run.solution == run.solution
    assert (back.metrics, back.parameters, back.provenance) == (METRICS, PARAMETERS, PROVENANCE)
    assert (back.postprocess_version, back.path) == ("3", path)
    assert back.created_utc.endswith("+00:00")


def test_complex_signals_come_back(store):
    run = complex_run()
    back = read_run(store(run)).run
    assert np.array_equal(back.axis.values, run.axis.values)
    assert list(back.signals) == ["gain"]
    np.testing.assert_allclose(back.signals["gain"].values, run.signals["gain"].values, rtol=2 * F4_ROUNDING)


@pytest.mark.parametrize("status", ["failed", "timed_out"])
def test_a_failed_run_keeps_what_there_is(store, status):
    values = np.full(2000, np.nan)
    values[:3] = 1.0, 1e300, -np.inf
    run = a_run(status=status, values=values, log=("line",) * 5000)
    back = read_run(store(run, metrics=())).run
    assert back.status == status
    assert back.log == run.log
    np.testing.assert_array_equal(back.signals["v(bulk)"].values[:4], [1.0, np.inf, -np.inf, np.nan])


def test_a_run_without_signals(store):
    back = read_run(store(Run(run_id("none"), "failed", None, {}), metrics=(), parameters={}, provenance={}))
    assert (back.run.axis, back.run.signals, back.run.log) == (None, {}, ())
    assert (back.metrics, back.parameters, back.provenance, back.run.solution) == ((), {}, {}, {})


@pytest.mark.parametrize("samples", [0, 1, 3, 513])
def test_short_runs(store, samples):
    run = a_run(samples=samples)
    back = read_run(store(run)).run
    assert np.array_equal(back.axis.values, run.axis.values)
    assert back.signals["i(BR1)"].values.shape == (samples,)


def test_only_the_signals_asked_for(store):
    path = store()
    assert list(read_run(path, signals=["i(BR1)"]).run.signals) == ["i(BR1)"]
    bare = read_run(path, signals=())
    assert (bare.run.axis, bare.run.signals, bare.metrics) == (None, {}, METRICS)
    with pytest.raises(StoreError, match=r"no signal 'v\(bulc\)'; allowed: .*; nearest: v\(bulk\)"):
        read_run(path, signals=["v(bulc)"])


def test_long_provenance_and_text_at_its_limits(store):
    provenance = {"deck": "R1 a 0 1k\n" * 20_000, "nested": {"list": [1, 2.5, None, True]}}
    metrics = (Metric("", "", math.nan, "", (math.inf, -math.inf), 0.0),)
    back = read_run(store(provenance=provenance, metrics=metrics))
    assert back.provenance == provenance
    assert (back.metrics[0].name, back.metrics[0].window, back.metrics[0].at) == ("", (math.inf, -math.inf), 0.0)
    assert math.isnan(back.metrics[0].value)


def test_attributes_and_layout_in_plain_h5py(store):
    run = a_run()
    with h5py.File(store(run)) as file:
        assert bytes(file.attrs["Conventions"]) == b"CF-1.10"
        assert file.attrs["schema_version"] == SCHEMA_VERSION
        assert bytes(file.attrs["run_id"]).decode() == run.case_id
        assert json.loads(bytes(file.attrs["parameters_json"])) == {k: list(v) for k, v in PARAMETERS.items()}
        bulk = file["waveforms/transient/v(bulk)"]
        texts = {
            name: bytes(bulk.attrs[name]).decode() for name in ("units", "long_name", "quantity", "reference_node")
        }
        assert texts == {
            "units": "V",
            "long_name": "bulk capacitor, µ",
            "quantity": "voltage",
            "reference_node": "0",
        }
        assert bulk.dims[0][0] == file["waveforms/transient/time"]
        assert (bulk.dtype, bulk.compression, bulk.compression_opts, bulk.shuffle) == ("f4", "gzip", 1, True)
        assert file["waveforms/transient/time"].dtype == "f8"
        assert file["pyramid/transient/v(bulk)/L0"].shape == (2, 63)
        assert file["pyramid/transient/time/L0"].dtype == "f8"
        assert file["metrics/table"].dtype.names[-3:] == ("window_start", "window_end", "at")
        assert np.isnan(file["metrics/table"]["at"][1])


@pytest.mark.filterwarnings("ignore:The 'phony_dims' kwarg")  # of newer h5netcdf
@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_opens_with_xarray(store, engine):
    xarray = pytest.importorskip("xarray")
    pytest.importorskip({"netcdf4": "netCDF4"}.get(engine, engine))
    run = a_run()
    with xarray.open_dataset(store(run), engine=engine, group="/waveforms/transient") as waveforms:
        assert waveforms["v(bulk)"].dims == ("time",)
        assert waveforms["v(bulk)"].attrs["units"] == "V"
        assert np.array_equal(waveforms["time"], run.axis.values)


def changed_signal(**changed: object) -> Run:
    run = a_run()
    signal = dataclasses.replace(run.signals["v(bulk)"], **changed)
    return dataclasses.replace(run, signals={signal.name: signal})


def with_samples(*samples: float) -> Run:
    values = np.zeros(2000)
    values[: len(samples)] = samples
    return a_run(values=values)


def with_axis(values: object) -> Run:
    run = a_run()
    return dataclasses.replace(run, axis=Axis("time", "s", values))


def doubled_by_a_part() -> Run:
    run = complex_run()
    real = dataclasses.replace(run.signals["gain"], name="gain_real", values=run.signals["gain"].values.real)
    return dataclasses.replace(run, signals={**run.signals, "gain_real": real})


@pytest.mark.parametrize(
    ("run", "reason"),
    [
        (with_samples(np.nan), r"signal v\(bulk\) holds a value that is not finite"),
        (with_samples(1e39), "too large for f4"),
        (changed_signal(values=np.full(2000, 1j * np.inf)), "not finite"),
        (changed_signal(values=np.zeros(3)), r"shape \(3,\)"),
        (changed_signal(name="a/b"), "not a usable name"),
        (changed_signal(name="time"), "the name time is taken"),
        (changed_signal(unit=None), "cannot be stored"),
        (with_axis(np.linspace(1, 0, 2000)), "decreases"),
        (with_axis(np.full(2000, np.nan)), "not finite"),
        (with_axis(np.zeros((2, 1000))), "one dimension"),
        (dataclasses.replace(a_run(), axis=None), "no axis"),
        (dataclasses.replace(a_run(), case_id="AB" * 32), "must be 64 hexadecimal digits"),
        (dataclasses.replace(a_run(), case_id="../../etc/passwd"), "must be 64 hexadecimal digits"),
        (dataclasses.replace(a_run(), case_id="a" * 64 + "\n"), "must be 64 hexadecimal digits"),
        (dataclasses.replace(a_run(), signals={"x": a_run().signals["i(BR1)"]}), "not its own"),
        (doubled_by_a_part(), "gain_real is taken"),
    ],
)
def test_what_a_file_cannot_hold_is_refused(run, reason):
    with pytest.raises(StoreError, match=reason) as caught:
        encoded(run)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "changed",
    [{"provenance": {"a": object()}}, {"parameters": {"a": (math.nan, "F")}}, {"provenance": {"a": math.inf}}],
)
def test_provenance_and_parameters_that_are_no_json_are_refused(changed):
    with pytest.raises(StoreError, match="cannot be stored"):
        encoded(a_run(), **changed)


def test_an_ok_run_is_not_replaced_by_a_failed_one(store):
    store(a_run(status="failed"))
    path = store(a_run(), provenance={"attempt": 1})
    store(a_run(status="failed"), provenance={"attempt": 2})
    assert (read_run(path).run.status, read_run(path).provenance) == ("ok", {"attempt": 1})
    store(a_run(), provenance={"attempt": 3})
    assert read_run(path).provenance == {"attempt": 3}
    path.write_bytes(path.read_bytes()[:-1])  # a damaged one is not worth keeping
    store(a_run(status="failed"))
    assert read_run(path).run.status == "failed"


def test_bytes_of_another_run_or_damaged_ones_are_refused(tmp_path):
    data = encoded(a_run())
    with pytest.raises(StoreError, match="not the one asked for"):
        write_bytes(tmp_path, run_id("another"), data)
    with pytest.raises(DamagedRunError, match="damaged"):
        write_bytes(tmp_path, a_run().case_id, b"\0" + data[1:])
    assert list(tmp_path.iterdir()) == []


def test_metrics_are_rewritten_and_nothing_else(store):
    path = store()
    before = read_run(path)
    for version in range(30):
        rewrite_metrics(path, [*METRICS, *METRICS], f"version {version}")
    after = read_run(path)
    assert after.metrics == (*METRICS, *METRICS)
    assert after.postprocess_version == "version 29"
    for name, signal in before.run.signals.items():
        assert np.array_equal(after.run.signals[name].values, signal.values)
    assert (after.provenance, after.created_utc) == (before.provenance, before.created_utc)
    size = path.stat().st_size
    rewrite_metrics(path, METRICS, "last")
    assert path.stat().st_size <= size  # the place of old tables is used again


def test_metrics_that_cannot_be_stored_change_nothing(store):
    path = store()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="metrics cannot be stored"):
        rewrite_metrics(path, [dataclasses.replace(METRICS[0], unit=None)], "4")
    assert path.read_bytes() == before


def test_an_unknown_schema_is_refused_by_name(store):
    path = store()
    newer = path.with_name("newer.h5")
    newer.write_bytes(files.unseal(path.read_bytes(), path))
    with h5py.File(newer, "r+") as file:
        file.attrs["schema_version"] = 99
    newer.write_bytes(files.seal(newer.read_bytes()))
    before = newer.read_bytes()
    for refused in (verify, read_run, lambda path: rewrite_metrics(path, METRICS, "4")):
        with pytest.raises(SchemaError, match="schema 99, this program knows 1"):
            refused(newer)
    assert newer.read_bytes() == before


def test_every_schema_has_a_history_and_an_old_file():
    assert max(SCHEMA_HISTORY) == SCHEMA_VERSION
    for version in SCHEMA_HISTORY:
        assert OLD_FILE.with_name(f"schema-{version}.h5").exists()


def test_a_file_of_schema_1_still_reads():
    old = read_run(OLD_FILE)
    assert old.run.axis.values.tolist() == [0.0, 1e-3, 1.5e-3, 4e-3]
    assert old.run.signals["v(bulk)"].values.tolist() == [0.0, 100.5, 200.25, 325.0]
    assert old.run.signals["gain"].values.tolist() == [1 + 2j, 0.5j, -1, 0.25 - 0.5j]
    assert old.metrics == (
        Metric("inrush_peak", "BR1", 41.5, "A", (0.0, 0.004), 0.001),
        Metric("ripple", "bulk", 7.25, "V", (0.0, 0.004)),
    )
    assert old.provenance == {"record": "kiln-900", "instance": "bulk", "attempt": 1}
    assert (old.parameters, old.run.solution) == ({"bulk.capacitance": (470e-6, "F")}, {"duty": 0.375})
    assert (old.postprocess_version, old.created_utc) == ("1", "2025-01-02T03:04:05+00:00")
    assert old.run.log == ("first line", "second line, 4.7 µF")
