"""What the viewer answers, and what it refuses: to whom, about what, and in which form."""

from __future__ import annotations

import csv
import io
import json
import random
import shutil
import string
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest
from demonstration import LANTERN
from report_pages import HOSTILE
from stored_runs import HOLDUP, LINE_LOST_AT, a_run, failed_run, run_id, stored
from viewing import Viewing, viewing

from harness.captures import Where, compare_capture
from harness.contracts import Axis, Capture, Channel, Run, Signal
from harness.overlays import MOST_FILES, MOST_LINES, Overlays
from harness.show.viewer.asked import trace_name
from harness.show.viewer.facts import STALE, run_facts
from harness.show.viewer.folder import AbsentError, Folder
from harness.store import captures
from harness.store.runs import read_run
from netlists.errors import OptionError

ONE, LONG = run_id("one")[:12], run_id("long")[:12]
BULK = f"{LONG}:bulk_voltage"


def swept_run() -> Run:
    """A first-order lag over frequency, complex."""
    frequency = np.logspace(0, 5, 501)
    gain = Signal("gain", "1", "output over input", "voltage", "", 1 / (1 + 1j * frequency / 1e3))
    return Run(run_id("swept"), "ok", Axis("frequency", "Hz", frequency), {"gain": gain})


def assessment(record: str, run: str, verdict: str, margin: float | None) -> str:
    """As much of a stored assessment as the viewer looks at, with one row."""
    row = {
        "instance": "front_rectifier", "metric": "holdup_time", "subject": "bulk", "unit": "s", "value": HOLDUP,
        "condition": {"label": HOSTILE[0]}, "adverse": {"value": HOLDUP, "run_id": run_id("old")}, "margin": margin,
        "limit_adverse": 0.01, "limit_side": "low", "verdict": verdict, "why": "", "rests_on": [], "run_id": run,
        "rescued": {"value": None},
    }  # fmt: skip
    state = {
        "schema": 1, "record": record, "title": "", "metrics": [row], "parts": [], "claims": [], "measurements": [],
        "provenance": {},
    }  # fmt: skip
    return json.dumps(state)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs of every sort, of which two are judged and one is damaged."""
    folder = tmp_path_factory.mktemp("viewed") / "results"
    stored(folder, condition=HOSTILE[0], deck=["R1 a 0 1", *HOSTILE])
    stored(folder, a_run("long", samples=300_000))
    stored(folder, a_run("old"))
    stored(folder, failed_run(log=HOSTILE))
    stored(folder, swept_run(), study="gain")
    damaged = stored(folder, a_run("damaged"))
    data = bytearray(damaged.read_bytes())
    data[2000::97] = bytes(len(data[2000::97]))
    damaged.write_bytes(data)
    (folder / "assessments").mkdir()
    (folder / "assessments" / "kiln-900.json").write_text(assessment("kiln-900", run_id("one"), "over", -0.25))
    (folder / "assessments" / "other.json").write_text("{")
    return folder


@pytest.fixture(scope="module")
def view(results: Path) -> Iterator[Viewing]:
    with viewing(results) as found:
        yield found


@pytest.fixture(scope="module")
def truth(results: Path) -> tuple[np.ndarray, np.ndarray]:
    """Time and bulk voltage of the long run, as stored."""
    run = read_run(results / "runs" / LONG[:2] / f"{run_id('long')}.h5", signals=["bulk_voltage"]).run
    assert run.axis is not None
    return run.axis.values, run.signals["bulk_voltage"].values


# --- who may ask


def test_only_who_has_the_token_is_answered(view: Viewing) -> None:
    stale = view.cookie.replace(view.cookie[-4:], "AAAA")
    for cookie in ("", stale, f"bulkrail-view-{view.port}={view.token}", "x" * 5000):
        for path in ("/", "/api/runs", "/static/main.js", "/api/nothing"):
            answer = view.ask(path, Cookie=cookie)
            assert answer.status == 403
            assert b"token" in answer.body
    for given in ("", "wrong", view.token[:-1], view.token + "A", "é" * 43):
        assert view.ask("/", [("token", given)], Cookie="").status == 403
    assert view.ask("/", [("token", view.token), ("token", view.token)], Cookie="").status == 403
    assert view.ask("/api/runs", [("token", view.token)], Cookie="").status == 403  # it opens the page alone


def test_the_token_leaves_the_address_for_a_strict_cookie(view: Viewing) -> None:
    answer = view.ask("/", [("token", view.token)], Cookie="")
    said = answer.headers["set-cookie"]
    assert answer.headers["location"] == "/"
    assert "HttpOnly" in said
    assert "SameSite=Strict" in said
    assert view.token not in said
    assert answer.headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "",
        "127.0.0.1:{port}.evil.example",
        "[::1]:{port}",
    ],
)
def test_another_host_is_refused(view: Viewing, host: str) -> None:
    """A name that was bound anew to this machine's address still names itself."""
    assert view.ask("/api/runs", Host=host.format(port=view.port)).status in (400, 421)


def test_requests_of_other_pages_are_refused(view: Viewing) -> None:
    own = f"http://127.0.0.1:{view.port}"
    assert view.ask("/api/runs", Origin=own, Sec_Fetch_Site="same-origin").status == 200
    assert view.ask("/api/runs", Origin="http://evil.example").status == 403
    assert view.ask("/api/runs", Origin="http://127.0.0.1:1").status == 403
    for site in ("cross-site", "same-site"):
        assert view.ask("/api/runs", Sec_Fetch_Site=site).status == 403
        assert view.ask("/", Sec_Fetch_Site=site, Sec_Fetch_Mode="no-cors").status == 403
        link = {"Sec_Fetch_Site": site, "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "document"}
        assert view.ask("/", **link).status == 200
        assert view.ask("/api/csv", [("trace", BULK), ("from", 0), ("to", 1)], **link).status == 403
    answer = view.ask("/api/overlay", method="POST", body=b"{}", Origin="null")
    assert answer.status == 403


def test_every_answer_has_its_headers(view: Viewing) -> None:
    for path in ("/", "/static/main.js", "/api/runs", "/api/nothing", "/static/none", "/api/run?id=zz"):
        for cookie in (view.cookie, ""):
            headers = view.ask(path, Cookie=cookie).headers
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["x-frame-options"] == "DENY"
            assert headers["cache-control"] == "no-store"
            assert headers["cross-origin-resource-policy"] == "same-origin"
            policy = headers["content-security-policy"]
            assert policy.startswith("default-src 'none'; script-src 'self';")
            assert "unsafe" not in policy
            assert "access-control-allow-origin" not in headers
            assert "server" not in headers


def test_it_listens_to_this_machine_alone(view: Viewing) -> None:
    table = Path("/proc/net/tcp").read_text().splitlines()[1:]
    listening = [line.split()[1] for line in table if line.split()[3] == "0A"]
    assert f"0100007F:{view.port:04X}" in listening
    assert f"00000000:{view.port:04X}" not in listening


def test_the_page_has_the_cautions_of_the_report(view: Viewing) -> None:
    page = view.ask("/").body.decode()
    for words in (
        "An opened supply can kill", "discharge it through a resistor", "isolating transformer", "isolated probes",
        "no safety certificate", "creepage", "Local codes",
    ):  # fmt: skip
        assert words in page


# --- a fuzz of addresses


BAD = [
    ("/api/view", []),
    ("/api/view", [("trace", BULK)]),
    ("/api/view", [("trace", BULK), ("from", "nan"), ("to", "1")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "inf")]),
    ("/api/view", [("trace", BULK), ("from", "-1e999"), ("to", "1")]),
    ("/api/view", [("trace", BULK), ("from", "1"), ("to", "0")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "0")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "1e300")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "1"), ("columns", "999999999999")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "1"), ("columns", "-1")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "1"), ("columns", "1.5")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", BULK), ("from", "0"), ("to", "1"), ("more", "1")]),
    ("/api/view", [("trace", f"{LONG}:none"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", "../../etc/passwd:x"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", f"{LONG}:../../x"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", f"{LONG}:x\0y"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", "a" * 12 + ":x"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", "file-0123456789abcdef:x"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", f"{LONG}:bulk_voltage:phase"), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", f"{run_id('swept')[:12]}:gain"), ("from", "1"), ("to", "2")]),
    ("/api/view", [("trace", f"{run_id('swept')[:12]}:gain:phase"), ("from", "0"), ("to", "2")]),
    ("/api/view", [("trace", f"{run_id('swept')[:12]}:gain:phase"), ("trace", BULK), ("from", "1"), ("to", "2")]),
    ("/api/view", [*(("trace", f"{LONG}:x{k}") for k in range(25)), ("from", "0"), ("to", "1")]),
    ("/api/view", [("trace", f"{run_id('damaged')[:12]}:bulk_voltage"), ("from", "0"), ("to", "1")]),
    ("/api/between", [("trace", BULK), ("a", "x"), ("b", "1")]),
    ("/api/between", [("trace", BULK), ("a", "0x10"), ("b", "1")]),
    ("/api/csv", [("trace", BULK), ("from", "0"), ("to", "1_0")]),
    ("/api/csv", [("trace", f"{run_id('damaged')[:12]}:none"), ("from", "0"), ("to", "1")]),
    ("/api/marks", [("trace", "x")]),
    ("/api/captures", [("id", "..")]),
    ("/api/run", [("id", "*")]),
    ("/api/run", [("id", "?" * 12)]),
    ("/api/run", [("id", run_id("damaged")[:12])]),
    ("/api/run", [("id", LONG[:11])]),
    ("/api/run", [("id", LONG), ("id", LONG)]),
    ("/api/runs", [("sort", "__class__")]),
    ("/api/runs", [("sort", "run_id")]),
    ("/api/runs", [("limit", "100000")]),
    ("/api/runs", [("offset", "-1")]),
    ("/api/runs", [("reverse", "yes")]),
    ("/api/runs", [("text", "x" * 201)]),
    ("/api/runs", [("__proto__", "1")]),
    ("/api/folder", [("x", "1")]),
    ("/", [("x", "1")]),
    ("/nothing", []),
    ("/static/", []),
    ("/static/viewer.html", []),
    ("/static/../app.py", []),
    ("/static/..%2fapp.py", []),
    ("/static/%2e%2e/app.py", []),
    ("/static//etc/passwd", []),
    ("/static/main.js%00", []),
    ("/static/main.js/", []),
    ("//etc/passwd", []),
    ("/../../etc/passwd", []),
    ("/runs/", []),
    ("/api/", []),
    ("/api/run/", []),
]  # fmt: skip


@pytest.mark.parametrize(("path", "pairs"), BAD, ids=[f"{k}-{path}" for k, (path, _) in enumerate(BAD)])
def test_a_bad_address_is_refused_in_one_line(view: Viewing, path: str, pairs: list) -> None:
    answer = view.ask(path, pairs)
    assert 400 <= answer.status < 500, answer.body[:300]
    assert len(answer.json["error"].splitlines()) == 1
    assert "Traceback" not in answer.json["error"]


def test_random_addresses_never_break_it(view: Viewing) -> None:
    """300 seeded ones: pieces that mean something put together wrongly, and letters of every sort."""
    chosen = random.Random(5)
    pieces = [
        "..",
        "/",
        "%2e",
        "%00",
        "api",
        "view",
        "run",
        "static",
        "trace",
        "=",
        "&",
        "?",
        ":",
        LONG,
        "nan",
        "-1",
        "1e9",
        "é",
        "'",
        '"',
        "<",
        "%ff",
        "file-",
    ]
    for _ in range(300):
        text = "".join(
            chosen.choice([*pieces, chosen.choice(string.printable.strip())]) for _ in range(chosen.randint(1, 12))
        )
        path = "/" + chosen.choice(["", "api/", "api/view?", "api/runs?", "api/run?id=", "static/"]) + text
        path = path.replace("#", "").encode("ascii", "ignore").decode()
        assert view.ask(path).status < 500, path
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "POST", "BREW"):
        assert view.ask("/api/runs", method=method).status == 405
    assert view.ask("/api/runs").status == 200
    assert view.ask("/" + "x" * 100_000).status >= 400
    assert view.ask("/api/runs").status == 200


# --- what is told


def test_runs_are_listed_with_their_verdicts_and_without(view: Viewing) -> None:
    found = view.ask("/api/runs").json
    assert found["all"] == found["found"] == 6
    rows = {row["run_id"]: row for row in found["runs"]}
    assert [row["margin"] for row in found["runs"][:2]] == [-0.25, -0.25]
    assert rows[run_id("one")]["verdict"] == rows[run_id("old")]["verdict"] == "over"
    assert rows[run_id("old")]["roles"] == "adverse"
    assert rows[run_id("long")]["verdict"] == "none"
    assert rows[run_id("damaged")]["status"] == "unreadable"
    assert any("other.json" in line for line in found["faults"])
    assert found["counts"]["verdict"] == {"none": 4, "over": 2}
    for pairs, ids in (
        ([("verdict", "over")], {"one", "old"}),
        ([("verdict", "none"), ("status", "failed")], {"bad"}),
        ([("study", "gain")], {"swept"}),
        ([("record", "nobody")], set()),
        ([("text", "GAIN swept"[:4])], {"swept"}),
        ([("text", LONG)], {"long"}),
    ):
        assert {row["run_id"] for row in view.ask("/api/runs", pairs).json["runs"]} == {run_id(one) for one in ids}
    by_size = [row["size"] for row in view.ask("/api/runs", [("sort", "size"), ("reverse", "1")]).json["runs"]]
    assert by_size == sorted(by_size, reverse=True)
    second = view.ask("/api/runs", [("sort", "size"), ("offset", 2), ("limit", 2)]).json["runs"]
    assert [row["size"] for row in second] == by_size[::-1][2:4]


def test_a_run_that_appears_is_listed_on_reload(view: Viewing, results: Path) -> None:
    path = stored(results, a_run("late"))
    try:
        assert run_id("late") in [row["run_id"] for row in view.ask("/api/runs").json["runs"]]
        assert view.ask("/api/run", [("id", run_id("late"))]).json["status"] == "ok"
    finally:
        path.unlink()
    assert view.ask("/api/runs").json["all"] == 6
    assert view.ask("/api/run", [("id", run_id("late"))]).status == 404


def test_a_run_is_told_in_full_and_nothing_of_it_is_markup(view: Viewing) -> None:
    found = view.ask("/api/run", [("id", ONE)]).json
    assert found["origin"]["condition"] == HOSTILE[0]
    assert found["deck"][:2] == ["R1 a 0 1", HOSTILE[0]]
    assert [one["signal"] for one in found["signals"]] == [
        "bulk_voltage",
        "line_voltage",
        "line_current",
        "thermistor_temperature",
    ]
    (metric,) = found["metrics"]
    assert (metric["name"], metric["window"][0]) == ("holdup_time", LINE_LOST_AT)
    assert (metric["judged"][0]["verdict"], metric["judged"][0]["role"]) == ("over", "nominal")
    failed = view.ask("/api/run", [("id", run_id("bad"))]).json
    assert failed["notes"][0].startswith("failed: </script>")
    assert failed["axis"] is None
    damaged = view.ask("/api/run", [("id", run_id("damaged"))])
    assert damaged.status == 422
    assert "damaged" in damaged.json["error"]


def test_a_view_is_what_the_samples_say(view: Viewing, truth: tuple[np.ndarray, np.ndarray]) -> None:
    time, values = truth
    for start, stop in ((0.0, 0.2), (0.0399, 0.0401), (0.1, 0.1002)):
        answer = view.ask(
            "/api/view",
            [("trace", BULK), ("trace", f"{LONG}:line_current"), ("from", start), ("to", stop), ("columns", 400)],
        )
        (told, axis, drawn), (_, other, _) = answer.lines
        inside = values[(time >= start) & (time <= stop)]
        assert told["unit"] == "V"
        ends = np.interp([max(start, time[0]), stop], time, values)
        assert (drawn.min(), drawn.max()) == (
            min(*ends, inside.min()).astype("f4"),
            max(*ends, inside.max()).astype("f4"),
        )
        assert len(axis) <= 802
        assert np.all(np.diff(axis) >= 0)
        assert np.all(np.diff(other) >= 0)
        assert len(answer.body) < 30_000


def test_figures_between_cursors_are_those_of_all_samples(view: Viewing, truth: tuple[np.ndarray, np.ndarray]) -> None:
    time, values = truth
    a, b = 0.1234567, 0.0321
    (line,) = view.ask("/api/between", [("trace", BULK), ("a", a), ("b", b)]).json["lines"]
    inside = (time > b) & (time < a)
    at = np.concatenate(([b], time[inside], [a]))
    of = np.interp(at, time, values)
    found = line["figures"]
    assert found["a"] == pytest.approx(np.interp(a, time, values), rel=1e-12)
    assert found["difference"] == pytest.approx(np.interp(b, time, values) - np.interp(a, time, values), rel=1e-9)
    assert found["mean"] == pytest.approx(np.trapezoid(of, at) / (a - b), rel=1e-12)
    square = np.sum(np.diff(at) * (of[1:] ** 2 + of[1:] * of[:-1] + of[:-1] ** 2) / 3)
    assert found["rms"] == pytest.approx(np.sqrt(square / (a - b)), rel=1e-12)
    assert found["peak_to_peak"] == pytest.approx(np.ptp(of), rel=1e-12)
    assert found["samples"] == np.count_nonzero(inside)
    outside = view.ask("/api/between", [("trace", BULK), ("a", 5), ("b", 6)]).json["lines"][0]
    assert outside["figures"] is None
    half = view.ask("/api/between", [("trace", BULK), ("a", 0.1), ("b", 6)]).json["lines"][0]["figures"]
    assert (half["b"], half["difference"]) == (None, None)
    assert half["covered"][1] == pytest.approx(0.2)


def test_metrics_are_marked_where_they_were_taken(view: Viewing, truth: tuple[np.ndarray, np.ndarray]) -> None:
    (mark,) = view.ask("/api/marks", [("trace", BULK), ("trace", f"{LONG}:line_voltage")]).json["marks"]
    assert (mark["signal"], mark["at"]) == ("bulk_voltage", LINE_LOST_AT + HOLDUP)
    assert mark["level"] == pytest.approx(np.interp(mark["at"], *truth))
    assert mark["window"] == [LINE_LOST_AT, LINE_LOST_AT + HOLDUP]
    (hidden,) = view.ask("/api/marks", [("trace", f"{LONG}:line_voltage")]).json["marks"]
    assert hidden["signal"] is None


def test_complex_signals_are_drawn_over_frequency(view: Viewing) -> None:
    swept = run_id("swept")[:12]
    pairs = [("trace", f"{swept}:gain:{part}") for part in ("magnitude", "phase")]
    (one, axis, size), (other, _, turn) = view.ask(
        "/api/view", [*pairs, ("from", 1), ("to", 1e5), ("columns", 2000)]
    ).lines
    assert (one["unit"], other["unit"]) == ("1", "deg")
    assert np.allclose(size, 1 / np.hypot(1, axis / 1e3), rtol=1e-5)
    assert np.allclose(turn, -np.degrees(np.arctan(axis / 1e3)), atol=1e-3)
    figures = view.ask("/api/between", [*pairs, ("a", 1e3), ("b", 1e4)]).json["lines"]
    assert figures[0]["figures"]["a"] == pytest.approx(1 / np.sqrt(2))
    assert figures[1]["figures"]["a"] == pytest.approx(-45)
    assert figures[0]["figures"]["mean"] is None
    text = view.ask("/api/csv", [pairs[0], ("from", 1), ("to", 10)]).body.decode()
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == [f"frequency [Hz] {swept}", f"gain real [1] {swept}", f"gain imaginary [1] {swept}"]


def test_csv_of_a_window_reads_back_as_what_is_stored(view: Viewing, truth: tuple[np.ndarray, np.ndarray]) -> None:
    time, values = truth
    start, stop = 0.05, 0.15
    answer = view.ask("/api/csv", [("trace", BULK), ("trace", f"{ONE}:bulk_voltage"), ("from", start), ("to", stop)])
    assert answer.headers["content-disposition"].startswith("attachment;")
    rows = list(csv.reader(io.StringIO(answer.body.decode())))
    assert rows[0] == [f"time [s] {LONG}", f"bulk_voltage [V] {LONG}", f"time [s] {ONE}", f"bulk_voltage [V] {ONE}"]
    inside = (time >= start) & (time <= stop)
    assert len(rows) == 1 + np.count_nonzero(inside)
    assert np.array_equal([float(row[0]) for row in rows[1:]], time[inside])
    assert np.array_equal(np.array([row[1] for row in rows[1:]], "f4"), values[inside].astype("f4"))
    short = [row[3] for row in rows[1:] if row[2]]
    assert 0 < len(short) < len(rows) - 1
    assert rows[-1][2:] == ["", ""]


# --- what is dropped, and what is not served


def test_a_dropped_file_stays_in_memory(view: Viewing, results: Path, truth: tuple[np.ndarray, np.ndarray]) -> None:
    """Laid over the run it was made from, 1.5 ms late and with noise; and no file is written anywhere near."""
    time, values = truth
    before = sorted((path, path.stat().st_mtime_ns) for path in results.rglob("*.h5"))
    shown = np.arange(0.01, 0.12, 2e-5)
    course = np.interp(shown - 1.5e-3, time, values) + np.random.default_rng(3).normal(0, 0.2, len(shown))
    text = "Time (ms);Probe (V)\n" + "\n".join(f"{t * 1e3:.4f};{v:.3f}" for t, v in zip(shown, course, strict=True))
    answer = view.ask("/api/file", [("name", HOSTILE[0][:60])], method="POST", body=text.encode())
    assert answer.status == 200
    found = answer.json
    assert [one["name"] for one in found["columns"]] == ["Time", "Probe"]
    said = {"trace": BULK, "file": found["file"], "column": "2", "gain": "3%", "align": "correlation"}
    laid = view.ask("/api/overlay", method="POST", body=json.dumps(said).encode()).json
    assert laid["lag"] == pytest.approx(-1.5e-3, abs=2e-5)
    numbers = {one["name"]: one for one in laid["numbers"]}
    assert numbers["highest"]["measured"] == pytest.approx(325, rel=5e-3)
    assert numbers["highest"]["consistent"]
    ((told, axis, drawn),) = view.ask(
        "/api/view", [("trace", laid["name"]), ("from", 0), ("to", 0.2), ("columns", 500)]
    ).lines
    assert told["unit"] == "V"
    assert axis[0] == pytest.approx(0.01 + laid["lag"], abs=1e-9)
    assert drawn.max() == pytest.approx(course.max(), rel=1e-5)
    late = view.ask(
        "/api/overlay",
        method="POST",
        body=json.dumps({**said, "align": "trigger", "at": "1ms", "trigger": "2.5ms"}).encode(),
    )
    assert late.status == 400  # the trigger lies before the file's first sample
    by_hand = {**said, "align": "trigger", "at": "18.5ms", "trigger": "20ms"}
    assert view.ask("/api/overlay", method="POST", body=json.dumps(by_hand).encode()).json["lag"] == pytest.approx(
        -1.5e-3
    )
    assert sorted((path, path.stat().st_mtime_ns) for path in results.rglob("*.h5")) == before


def test_a_stored_capture_is_laid_over_as_capture_compare_does(tmp_path: Path) -> None:
    """The same numbers, whichever way; of a record that was not named nothing is offered."""
    record = tmp_path / LANTERN.name
    shutil.copy(LANTERN, record)
    results = tmp_path / "results"
    stored(results, record="lantern-65", instance="mains_rectifier")
    time = np.arange(0.01, 0.12, 5e-5)
    run = a_run()
    assert run.axis is not None
    bulk = np.interp(time, run.axis.values, run.signals["bulk_voltage"].values)
    channel = Channel("bulk_voltage", "V", "B", bulk + np.random.default_rng(1).normal(0, 0.2, len(time)), 0.03, 0.5)
    capture = Capture(
        name="bench", record="lantern-65", instance="mains_rectifier", time=time - 0.02, channels=(channel,),
        trigger=0.0, time_base=1e-4, study="", condition="", line_voltage=None, output_power=None, taken="",
        note=HOSTILE[0], source={}, added_utc="", assumed=(),
    )  # fmt: skip
    captures.write(record, capture)
    overlays = Overlays(Folder(results), [record])
    (offered,) = overlays.captures_for(ONE)
    assert (offered["name"], offered["signals"]) == ("bench", ["bulk_voltage"])
    assert Overlays(Folder(results)).captures_for(ONE) == []
    trace = trace_name(f"{ONE}:bulk_voltage")
    for align, at in (("correlation", ""), ("trigger", "20ms")):
        laid = overlays.lay(trace, {"capture": "lantern-65/bench", "align": align, "at": at})
        where = Where(signal="bulk_voltage", run=ONE, align=align, at=at or None)
        compared = json.loads(compare_capture(record, "bench", results, where).to_json())
        assert {key: laid[key] for key in compared} == compared
        assert laid["lag"] == pytest.approx(0.02, abs=5e-5)
        held = overlays.held(laid["name"].partition(":")[0], "bulk_voltage")
        assert np.allclose(held.axis, time - 0.02 + laid["lag"])
    with pytest.raises(OptionError, match="has no line_current"):
        overlays.lay(trace_name(f"{ONE}:line_current"), {"capture": "lantern-65/bench"})
    captures.path_of(record, "bench").write_bytes(b"none")
    (broken,) = overlays.captures_for(ONE)
    assert "damaged" in broken["fault"]


def test_what_is_kept_in_memory_is_bounded(tmp_path: Path) -> None:
    stored(tmp_path)
    overlays = Overlays(Folder(tmp_path))
    text = b"t,v\n" + b"".join(b"%d,%d\n" % (k, k % 7) for k in range(20))
    kept = [overlays.read_file("x.csv", text)["file"] for _ in range(MOST_FILES + 1)]
    said = {"column": "2", "gain": "3%", "align": "trigger", "interval": "1ms"}
    trace = trace_name(f"{ONE}:bulk_voltage")
    lines = [overlays.lay(trace, {**said, "file": kept[-1]})["name"].partition(":")[0] for _ in range(MOST_LINES + 1)]
    for call in (
        lambda: overlays.lay(trace, {**said, "file": kept[0]}),
        lambda: overlays.held(lines[0], "bulk_voltage"),
    ):
        with pytest.raises(AbsentError, match="no longer in memory"):
            call()
    assert overlays.held(lines[-1], "bulk_voltage").unit == "V"


def test_what_cannot_be_laid_over_is_refused(view: Viewing) -> None:
    def told(body: bytes, path: str = "/api/overlay") -> tuple[int, str]:
        answer = view.ask(path, method="POST", body=body)
        return answer.status, answer.json["error"]

    for body in (b"", b"[]", b"{", b"[" * 100_000, b'{"trace": 5}', b'{"more": "x"}', b'{"trace": "x"}', b"\xff\xfe"):
        assert told(body)[0] in (400, 413)
    said = {"trace": BULK, "gain": "3%", "column": "2", "file": "file-0123456789abcdef"}
    assert told(json.dumps(said).encode()) == (404, "file: is no longer in memory; drop it again")
    assert told(json.dumps({**said, "align": "magic"}).encode())[0] == 400
    assert told(json.dumps({"trace": BULK, "capture": "kiln-900/none"}).encode())[0] == 404
    assert told(json.dumps({**said, "trace": f"{run_id('swept')[:12]}:gain:phase"}).encode())[0] == 400
    status, text = told(b"nothing but words\n" * 20, "/api/file")
    assert status == 400
    assert told(b"\0" * 500, "/api/file")[0] == 400
    assert told(b"x" * 20_000_001, "/api/file") == (413, "at most 20000 kB are taken")
    file = view.ask("/api/file", method="POST", body=b"t,v\n" + b"".join(b"%d,1\n" % k for k in range(20))).json["file"]
    status, text = told(json.dumps({"trace": BULK, "file": file, "column": "2"}).encode())
    assert (status, "gain" in text) == (400, True)
    assert told(json.dumps({"trace": BULK, "file": file, "column": "9", "gain": "3%"}).encode())[0] == 400


def test_a_chunked_body_is_cut_off_too(view: Viewing) -> None:
    """One that does not say how long it is."""
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", view.port, timeout=20)
    head = {"Cookie": view.cookie, "Transfer-Encoding": "chunked"}
    connection.request("POST", "/api/overlay", body=(b"x" * 1000 for _ in range(40)), headers=head, encode_chunked=True)
    assert connection.getresponse().status == 413
    connection.close()


def test_nothing_outside_the_folder_is_served(view: Viewing, results: Path, tmp_path: Path) -> None:
    """A link out of it, to a run that lies elsewhere."""
    elsewhere = stored(tmp_path, a_run("elsewhere"))
    link = results / "runs" / run_id("elsewhere")[:2] / elsewhere.name
    link.parent.mkdir(exist_ok=True)
    link.symlink_to(elsewhere)
    try:
        answer = view.ask("/api/run", [("id", run_id("elsewhere"))])
        assert (answer.status, "outside" in answer.json["error"]) == (404, True)
        pairs = [("trace", f"{run_id('elsewhere')[:12]}:bulk_voltage"), ("from", 0), ("to", 1)]
        assert view.ask("/api/view", pairs).status == 404
    finally:
        link.unlink()


@pytest.mark.parametrize("way", ["link", "samples", "virtual"])
def test_a_run_file_that_points_elsewhere_is_not_served(view: Viewing, results: Path, tmp_path: Path, way: str) -> None:
    """HDF5 takes links and raw samples from any file of the disk; a run file of ours has neither."""
    path = stored(results, a_run(way))
    outside = tmp_path / "outside.bin"
    outside.write_bytes(b"secret!!" * 4000)
    elsewhere = stored(tmp_path, a_run("elsewhere"))
    name = "waveforms/transient/bulk_voltage"
    with h5py.File(path, "r+", libver=("v110", "v110")) as file:
        del file[name]
        if way == "link":
            file[name] = h5py.ExternalLink(str(elsewhere), name)
        elif way == "samples":
            file.create_dataset(name, (4000,), "f4", external=[(str(outside), 0, 16000)])
        else:
            layout = h5py.VirtualLayout((4000,), "f4")
            layout[:] = h5py.VirtualSource(str(elsewhere), name, (4000,))
            file.create_virtual_dataset(name, layout)
    try:
        answer = view.ask("/api/view", [("trace", f"{run_id(way)[:12]}:bulk_voltage"), ("from", 0), ("to", 1)])
        assert answer.status == 422
        assert "is a link" in answer.json["error"] or "another file" in answer.json["error"]
    finally:
        path.unlink()


def test_ctrl_c_ends_it_with_one_line_and_the_token_is_in_no_log(results: Path, tmp_path: Path) -> None:
    folder = tmp_path / "results"
    shutil.copytree(results, folder)
    before = {path: path.read_bytes() for path in folder.rglob("*.h5")}
    with viewing(folder) as view:
        for path in (
            "/api/runs",
            "/nothing",
            f"/?token={view.token}",
            "/api/view?trace=x",
            f"/api/run?id={ONE}",
            f"/api/run?token={view.token}",
        ):
            view.ask(path)
        view.ask("/" + "x" * 100_000)
        code, said = view.end()
    assert code == 0
    assert said.splitlines()[-1] == "viewer stopped"
    assert view.token not in said
    assert "Traceback" not in said
    assert {path: path.read_bytes() for path in folder.rglob("*.h5")} == before


def test_a_stale_run_is_told_and_not_changed(results: Path, tmp_path: Path) -> None:
    path = stored(tmp_path, version="0")
    data = path.read_bytes()
    assert run_facts(Folder(tmp_path), ONE)["notes"] == [STALE]
    assert path.read_bytes() == data
