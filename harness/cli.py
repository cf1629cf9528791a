"""The command ``bulkrail``. Errors of the user's input become one line each and exit code 2.

Heavy imports (numpy, h5py, PySpice) wait until a command needs them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

from cyclopts import App, Parameter

if TYPE_CHECKING:
    from rich.console import Console

    from harness.store.export import Columns
    from harness.stored import MetricTable

from harness.cli_capture import capture_app
from harness.cli_fit import fit
from harness.cli_record import add_record_commands
from harness.cli_review import review_app
from harness.cli_view import view_app
from netlists.errors import BulkrailError, InputError, OptionError, SetupError, StoreError

app = App(
    name="bulkrail",
    help="Defended numbers for opened mains power supplies, from a list of their parts.",
    suppress_keyboard_interrupt=False,  # main says in a line what became of the runs
)


def main() -> None:
    """Runs the command line and exits: 0 all within, 1 over, undecided or failed, 2 bad input or set-up, 3 a fault of
    ours."""
    run_and_exit(lambda: app(print_error=True, exit_on_error=True, result_action="return_value"))


def run_and_exit(work: Callable[[], int | None]) -> NoReturn:
    """Ends the process with what some work returns, or with one line and the exit code of what it raised."""
    try:
        code = work()
    except (InputError, SetupError, StoreError) as error:
        print(error, file=sys.stderr)
        code = 2
    except BulkrailError as error:
        print(error, file=sys.stderr)
        code = 1
    except Exception:  # a verdict also ends 1, so a breakdown must not
        traceback.print_exc()
        print("this is a fault of bulkrail, not of your record; nothing stored was lost", file=sys.stderr)
        code = 3
    except KeyboardInterrupt:
        print("stopped; finished runs are kept, the same command goes on from them", file=sys.stderr)
        code = 130
    sys.exit(code or 0)


@app.command(help="Simulate a record's stages at their worst conditions and judge them.")
def check(
    record: Annotated[Path, Parameter(help="record file (TOML); bulkrail new writes a starter")],
    *,
    instance: Annotated[str | None, Parameter(help="only this stage instance")] = None,
    out: Annotated[Path, Parameter(help="results folder: runs, assessments, plots")] = Path("results"),
    json: Annotated[Path | None, Parameter(help="a further copy of the assessment; its folder is made")] = None,
    plots: Annotated[bool, Parameter(help="draw PNG plots into OUT/plots")] = True,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
    limits: Annotated[Path | None, Parameter(help="limits file; else RECORD's own .limits.toml, if any")] = None,
    ends: Annotated[
        Literal["hand", "simulate"], Parameter(help="how undecided verdicts get each input's ends alone")
    ] = "hand",
    corners: Annotated[
        Literal["hand", "simulate"],
        Parameter(help="how adverse values of switching stages that are far from their limits are found"),
    ] = "hand",
) -> int:
    """Checks a record; ends 0, 1 or 2 as ``main`` says."""
    from harness.check import check_record
    from harness.show.progress import progress

    with progress() as on_progress:
        assessment, files = check_record(
            record, out, instance=instance, workers=workers, plots=plots, json_file=json, limits_file=limits, ends=ends,
            corners=corners, on_progress=on_progress,
        )  # fmt: skip
    from harness.show.table import print_assessment

    print_assessment(assessment, _console(), files)
    return assessment.exit_code


@app.command(name="next", help="Rank what to measure next: which reading would settle most undecided verdicts.")
def next_readings(
    record: Annotated[Path, Parameter(help="record file (TOML)")],
    *,
    instance: Annotated[str | None, Parameter(help="only verdicts of this stage instance")] = None,
    out: Annotated[Path, Parameter(help="results folder of bulkrail check; checked first where it holds none")] = Path(
        "results"
    ),
    samples: Annotated[int, Parameter(help="joint samples of the open inputs, a power of 2")] = 128,
    seed: Annotated[int, Parameter(help="of screening and samples; the same seed gives the same answer")] = 1,
    json: Annotated[bool, Parameter(help="print JSON instead", negative=())] = False,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
    limits: Annotated[Path | None, Parameter(help="limits file; else RECORD's own .limits.toml, if any")] = None,
) -> int:
    """Ranks readings; ends 0, also where nothing is undecided."""
    from harness.measure_next import measure_next
    from harness.show.next_table import next_json, print_next
    from harness.show.progress import progress

    with progress() as on_progress:
        found = measure_next(
            record, out, instance=instance, samples=samples, seed=seed, workers=workers, limits_file=limits,
            on_progress=on_progress,
        )  # fmt: skip
    if json:
        _print_json(next_json(found))
    else:
        print_next(_console(), found)
    return 0


@app.command(help="Run a sweep file: metrics of one stage over axes of record values and conditions.")
def sweep(
    file: Annotated[Path, Parameter(help="sweep file (TOML)")],
    *,
    out: Annotated[Path, Parameter(help="results folder; its sweeps/NAME.csv holds the table")] = Path("results"),
    workers: Annotated[str | None, Parameter(help="processes, or a Dask scheduler such as tcp://10.0.0.5:8786")] = None,
    shared: Annotated[bool, Parameter(help="the cluster's workers see OUT under the same path", negative=())] = False,
    retry_failed: Annotated[bool, Parameter(help="try cases again that failed before", negative=())] = False,
    dry_run: Annotated[bool, Parameter(help="say how many cases would run, and run none", negative=())] = False,
    csv: Annotated[Path | None, Parameter(help="write the rows as CSV too")] = None,
    parquet: Annotated[Path | None, Parameter(help="write the rows as Parquet too")] = None,
) -> int:
    """Runs a sweep; ends 1 where a point failed."""
    from harness.batch import load_sweep
    from harness.show.progress import progress
    from harness.show.sweeps import planned_line, print_sweep
    from harness.store.export import check_parquet, check_target

    check_target("--csv", csv, ".csv")
    check_target("--parquet", parquet, ".parquet")
    check_parquet(parquet)
    number = int(workers) if workers is not None and workers.lstrip("-").isdigit() else workers
    batch = load_sweep(file, results=out, workers=number, shared=shared, retry_failed=retry_failed)
    if dry_run:
        print(planned_line(batch.planned()))
        return 0
    with progress() as on_progress:
        table = batch.run(on_progress)
    print_sweep(_console(), table)
    _export(table.columns(), out / "sweeps" / f"{batch.name}.csv", None)
    _export(table.columns(), csv, parquet)
    return 1 if table.count("failed") else 0


@app.command(help="Compare two records, two assessments, or a record with itself after parts were swapped.")
def diff(
    first: Annotated[Path, Parameter(help="record (TOML), or assessment (JSON) of bulkrail check")],
    second: Annotated[Path | None, Parameter(help="the other; none with --swap or --with")] = None,
    *,
    swap: Annotated[
        list[str] | None,
        Parameter(help="a value of a part, PATH=VALUE; may stand several times", negative=()),
    ] = None,
    with_: Annotated[Path | None, Parameter("--with", help="file (TOML) of parts to swap, as in a record")] = None,
    instance: Annotated[str | None, Parameter(help="only this stage instance")] = None,
    out: Annotated[Path, Parameter(help="results folder; what it holds is not simulated again")] = Path("results"),
    json: Annotated[Path | None, Parameter(help="write the comparison as JSON; its folder is made")] = None,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Compares; ends 1 where a verdict got worse."""
    from harness.compare import compare_files
    from harness.show.progress import progress

    with progress() as on_progress:
        comparison = compare_files(
            first, second, out, swaps=swap or (), swap_file=with_, instance=instance, workers=workers, json_file=json,
            on_progress=on_progress,
        )  # fmt: skip
    from harness.show.comparison import print_comparison

    print_comparison(comparison, _console())
    if json is not None:
        print(f"comparison: {json}")
    return comparison.exit_code


@app.command(help="Decide whether records may be merged: every stress within its limit, current, and not worse.")
def gate(
    records: Annotated[list[Path], Parameter(help="record files (TOML)", negative=())],
    *,
    stored: Annotated[bool, Parameter(help="judge what OUT holds, start no simulation", negative=())] = False,
    baseline: Annotated[Path, Parameter(help="folder of accepted baselines")] = Path("results/baseline"),
    accept: Annotated[
        bool, Parameter(help="write the baselines of records nothing else fails of", negative=())
    ] = False,
    out: Annotated[Path, Parameter(help="results folder; what it holds is not simulated again")] = Path("results"),
    junit: Annotated[Path | None, Parameter(help="write JUnit XML, a test case a row")] = None,
    markdown: Annotated[Path | None, Parameter(help="write a summary, with a plot beside it")] = None,
    json: Annotated[Path | None, Parameter(help="write all that was decided as JSON")] = None,
    waivers: Annotated[Path | None, Parameter(help="write waivers, without reasons, for what may be waived")] = None,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Gates records; ends 0 where all may be merged, 1 where something fails, 2 for bad input."""
    from harness.merge_gate import gate_files, write_reports
    from harness.show.progress import progress

    with progress() as on_progress:
        found = gate_files(
            records, out, baselines=baseline, stored=stored, accept=accept, workers=workers, on_progress=on_progress
        )
    from harness.show.gate_table import print_gated

    print_gated(_console(), found)
    for line in write_reports(found, junit=junit, markdown=markdown, json_file=json, waivers=waivers):
        print(line)
    return 0 if all(one.passes for one in found) else 1


@app.command(help="Write a report: one HTML file that stands alone, and a PDF where Chromium is installed.")
def report(
    record: Annotated[Path, Parameter(help="record file (TOML)")],
    *,
    out: Annotated[Path, Parameter(help="folder for RECORD.html and RECORD.pdf; it is made")] = Path("reports"),
    results: Annotated[Path, Parameter(help="results folder of bulkrail check; what is missing is simulated")] = Path(
        "results"
    ),
    instance: Annotated[str | None, Parameter(help="only this stage instance")] = None,
    limits: Annotated[Path | None, Parameter(help="limits file; else RECORD's own .limits.toml, if any")] = None,
    readings: Annotated[
        bool,
        Parameter(help="rank what to measure next; else the answer bulkrail next left, if any", negative=()),
    ] = False,
    pdf: Annotated[bool | None, Parameter(help="print a PDF too; if not given: where Chromium is installed")] = None,
    corrects: Annotated[Path | None, Parameter(help="the earlier report (HTML) this one corrects: adds errata")] = None,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Writes a report; ends 0 whatever the verdicts are."""
    from harness.publish import write_report
    from harness.show.progress import progress

    with progress() as on_progress:
        lines = write_report(
            record, out, results, instance=instance, limits_file=limits, readings=readings, pdf=pdf, corrects=corrects,
            workers=workers, on_progress=on_progress,
        )  # fmt: skip
    for line in lines:
        print(line)
    return 0


@app.command(help="List every metric of a published report that no longer holds with the record as it is now.")
def recheck(
    report: Annotated[Path, Parameter(help="report (HTML) of bulkrail report")],
    record: Annotated[Path | None, Parameter(help="record file; else the report's own name beside it or here")] = None,
    *,
    results: Annotated[Path, Parameter(help="results folder; what it holds is not simulated again")] = Path("results"),
    limits: Annotated[Path | None, Parameter(help="limits file; else RECORD's own .limits.toml, if any")] = None,
    json: Annotated[Path | None, Parameter(help="write what moved as JSON; its folder is made")] = None,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Rechecks; ends 1 where something no longer holds."""
    from harness.publish import recheck_report
    from harness.show.progress import progress
    from harness.store.export import write_whole

    with progress() as on_progress:
        found = recheck_report(
            report, record, results, limits_file=limits, workers=workers, on_progress=on_progress
        )  # fmt: skip
    from harness.show.recheck_table import print_recheck

    print_recheck(_console(), found)
    if json is not None:
        write_whole(json, found.to_json().encode())
        print(f"recheck: {json}")
    return found.exit_code


@app.command(help="Write a commented starter record to fill in.")
def new(
    name: Annotated[str, Parameter(help="lower-case name of the record, such as kiln-900")],
    *,
    folder: Annotated[Path, Parameter(help="where the file goes")] = Path(),
) -> int:
    """Writes NAME.toml."""
    from netlists.starter import write_starter

    file = write_starter(name, folder)
    print(f"wrote {file}; fill it in, then run: bulkrail check {file}")
    return 0


@app.command(help="Say what the markings on parts may mean, likeliest first.")
def decode(
    text: Annotated[list[str], Parameter(help='markings such as 4K7, 104K, 01C or "470uF 450V"', negative=())],
    *,
    kind: Annotated[
        Literal["resistor", "capacitor", "inductor"] | None,
        Parameter(help="what the parts are known to be; such meanings come first"),
    ] = None,
    json: Annotated[Path | None, Parameter(help="write the meanings as JSON; its folder is made")] = None,
) -> int:
    """Decodes markings; ends 2 where none of them could be read."""
    from harness.show.decode_table import decoded_json, print_decoded
    from netlists.markings import decode as decode_marking

    found = [decode_marking(one, kind) for one in text]
    for one in found:
        if one.fault:
            print(one.fault, file=sys.stderr)
    if not any(one.readings for one in found):
        return 2
    print_decoded(_console(), found)
    if json is not None:
        from harness.store.export import write_whole

        write_whole(json, _json_text(decoded_json(found, kind)).encode())
        print(f"meanings: {json}")
    return 0


app.command(capture_app)
app.command(fit, help="Fit up to three assumed values to a stored capture, with 95 % intervals; writes no record.")
add_record_commands(app)
app.command(view_app)
app.command(review_app)

Results = Annotated[Path, Parameter(help="results folder of bulkrail check")]
RecordName = Annotated[str | None, Parameter(help="only runs of this record")]
InstanceName = Annotated[str | None, Parameter(help="only runs of this stage instance")]
StudyName = Annotated[str | None, Parameter(help="only runs of this study, such as inrush")]
PlainJson = Annotated[bool, Parameter(help="print JSON instead", negative=())]
Reverse = Annotated[bool, Parameter(help="the other way round", negative=())]
CsvFile = Annotated[Path | None, Parameter(help="write the rows as CSV too")]
ParquetFile = Annotated[Path | None, Parameter(help="write the rows as Parquet too")]
RUN_HELP = "first digits of a run's id, at least 4"


@app.command(help="List the stored runs of a results folder, oldest first; every filter is an exact value.")
def runs(
    results: Results = Path("results"),
    *,
    record: RecordName = None,
    instance: InstanceName = None,
    study: StudyName = None,
    status: Annotated[str | None, Parameter(help="only runs that are ok, failed, timed_out or unreadable")] = None,
    metric: Annotated[str | None, Parameter(help="only runs that have this metric")] = None,
    sort: Annotated[str | None, Parameter(help="by status, study, condition, size or another field")] = None,
    reverse: Reverse = False,
    csv: CsvFile = None,
    parquet: ParquetFile = None,
    json: PlainJson = False,
) -> int:
    """Lists runs with why any went wrong, and counts."""
    from harness.show.listing import print_runs, runs_json
    from harness.stored import Filters, matching, run_columns, sorted_runs, why

    found, rows = matching(results, Filters(record, instance, study, status, metric))
    found = sorted_runs(found, sort, reverse=reverse)
    if csv or parquet:
        _export(run_columns(found), csv, parquet)
    elif json:
        _print_json(runs_json(results, found, rows, lambda row: why(results, row)))
    else:
        print_runs(_console(), results, found, rows, lambda row: why(results, row))
    return 0


@app.command(help="Print the metrics of a stored run, or one metric of all runs.")
def metrics(
    run: Annotated[str | None, Parameter(help=RUN_HELP)] = None,
    /,
    *,
    metric: Annotated[str | None, Parameter(help="instead of RUN: this metric of all runs")] = None,
    record: RecordName = None,
    instance: InstanceName = None,
    study: StudyName = None,
    results: Results = Path("results"),
    sort: Annotated[str | None, Parameter(help="with --metric: by value, subject, at or condition")] = None,
    reverse: Reverse = False,
    csv: CsvFile = None,
    parquet: ParquetFile = None,
    json: PlainJson = False,
) -> int:
    """Prints metrics, measured again where another version of the program had stored them.

    Ends 1 where a metric is stale, a file cannot be read, or there are no metrics because the run failed.
    """
    if (run is None) == (metric is None):
        raise OptionError("metrics: give either RUN, the first digits of a run's id, or --metric NAME for all runs")
    if metric is not None:
        from harness.stored import Filters, over_runs, sorted_metrics

        found_of_all = over_runs(results, metric, Filters(record, instance, study))
        table = sorted_metrics(found_of_all, sort, reverse=reverse)
        return _metric_of_all(results, table, csv, parquet, json=json)
    filters = {
        "--record": record, "--instance": instance, "--study": study, "--sort": sort, "--csv": csv,
        "--parquet": parquet, "--reverse": reverse or None,
    }  # fmt: skip
    if given := [option for option, value in filters.items() if value is not None]:
        raise OptionError(f"{given[0]}: goes with --metric, and RUN is one run already")
    from harness.show.listing import measured_json, print_measured
    from harness.stored import find_run, measured

    assert run is not None  # else there is a metric
    found = measured(find_run(results, run))
    if json:
        _print_json(measured_json(found))
    else:
        print_measured(_console(), found)
    return 1 if found.state == "stale" or found.stored.run.status != "ok" else 0


def _metric_of_all(results: Path, table: MetricTable, csv: Path | None, parquet: Path | None, *, json: bool) -> int:
    from harness.show.listing import metric_table_json, print_metric_table
    from harness.stored import metric_columns

    if csv or parquet:
        _export(metric_columns(table), csv, parquet)
    elif json:
        _print_json(metric_table_json(table))
    else:
        print_metric_table(_console(), results, table)
    return 1 if table.unreadable or any(row.state == "stale" for row, _ in table.rows) else 0


def _export(columns: Columns, csv: Path | None, parquet: Path | None) -> None:
    """Writes rows into files instead of printing them."""
    from harness.store.export import check_parquet, check_target, write_csv, write_parquet

    check_target("--csv", csv, ".csv")
    check_target("--parquet", parquet, ".parquet")
    check_parquet(parquet)
    for file, write in ((csv, write_csv), (parquet, write_parquet)):
        if file is not None:
            write(file, columns)
            print(f"table: {file} ({len(next(iter(columns.values())))} rows)")


@app.command(help="Draw signals of a stored run as PNG, with its metrics marked.")
def plot(
    run: Annotated[str, Parameter(help=RUN_HELP)],
    /,
    *,
    signals: Annotated[str | None, Parameter(help="names with commas between; default: those of its study")] = None,
    start: Annotated[str | None, Parameter("--from", help="such as 10ms", allow_leading_hyphen=True)] = None,
    stop: Annotated[str | None, Parameter("--to", help="such as 0.12", allow_leading_hyphen=True)] = None,
    file: Annotated[Path | None, Parameter(help="the picture; default: RESULTS/plots/run-RUN.png")] = None,
    results: Results = Path("results"),
) -> int:
    """Draws a picture, one panel a unit."""
    if file is not None and file.suffix.lower() != ".png":
        raise OptionError(f"--file: must end in .png, found {file.name}")
    from harness.show.panels import usual_signals
    from harness.show.run_plot import draw_stretch
    from harness.show.stretch import read_stretch
    from harness.stored import SHORT, find_run, measured
    from netlists.quantity import engineering

    # not hashed as a whole: what a picture needs has sums of its own, and may be a small part of a large file
    found = measured(find_run(results, run), verify=False)
    names = None if signals is None else signals.split(",")
    stretch = read_stretch(found, signals=names, usual=usual_signals(found.origin("study")), start=start, stop=stop)
    file = file or results / "plots" / f"run-{found.run_id[:SHORT]}.png"
    draw_stretch(stretch, file)
    if found.note:
        print(found.note)
    print(f"plot: {file} ({engineering(stretch.start, 's')} to {engineering(stretch.stop, 's')})")
    return 0


def _console() -> Console:
    from harness.show.terminal import console

    return console()


def _print_json(content: dict[str, Any]) -> None:
    # by the console, which ends quietly where the reader of a pipe is gone
    _console().out(_json_text(content), highlight=False)


def _json_text(content: dict[str, Any]) -> str:
    import json

    return json.dumps(content, indent=2, allow_nan=False)
