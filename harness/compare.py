"""Two records, two assessments, or a record with parts swapped: what differs, and what it does to each metric."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.check import assess_record, instances_of
from harness.judge.assess import Assessment
from harness.judge.comparison import Comparison, compare
from harness.judge.differences import content_of_record, content_of_state, differences
from harness.judge.limits_file import limits_for
from harness.judge.state_file import read_state
from harness.plan.plan import every_metric
from harness.plan.statements import check_names
from harness.store.export import write_whole
from netlists.errors import OptionError
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record
from netlists.substitution import Swaps, load_swapped, part_path, read_swaps

Progress = Callable[[int, int], None]
STATE, RECORD = ".json", ".toml"


def compare_files(
    first: Path,
    second: Path | None,
    out: Path,
    *,
    swaps: Sequence[str] = (),
    swap_file: Path | None = None,
    instance: str | None = None,
    workers: int | None = None,
    json_file: Path | None = None,
    on_progress: Progress | None = None,
) -> Comparison:
    """Compares two records or two stored assessments, or a record with itself after swaps.

    Records are checked as ``bulkrail check`` does, each with the limits file beside it; what is stored in ``out`` is
    not simulated again.

    Parameters
    ----------
    second : None where there are swaps
    swaps, swap_file : as of ``netlists.substitution.read_swaps``
    json_file : where the comparison goes too

    Raises
    ------
    InputError, SetupError, StoreError : as of ``check_record``
    """
    kinds = [_kind(path) for path in (first, second) if path is not None]
    swapped = bool(swaps) or swap_file is not None
    if swapped and (second is not None or kinds[0] != RECORD):
        raise OptionError("diff: --swap and --with go with one record file")
    if second is None and not swapped:
        raise OptionError("diff: give a second file, or what to swap by --swap or --with")
    if len(set(kinds)) > 1:
        raise OptionError(
            f"diff: {first.name} and {second and second.name} are a record and an assessment; check the record, then "
            "compare its OUT/assessments/NAME.json"
        )
    if kinds[0] == STATE:
        if instance is not None or workers is not None:
            raise OptionError("diff: --instance and --workers go with record files; assessments are compared as stored")
        assert second is not None  # else there were swaps
        comparison = _states(first, second)
    else:
        options = {"instance": instance, "workers": workers, "on_progress": on_progress}
        if second is None:
            comparison = _swapped(first, read_swaps(swaps, swap_file), out, **options)
        else:
            comparison = _records(first, second, out, **options)
    if json_file is not None:
        write_whole(json_file, comparison.to_json().encode())
    return comparison


def _kind(path: Path) -> str:
    kind = path.suffix.lower()
    if kind not in (STATE, RECORD):
        raise OptionError(f"diff: must be a record (.toml) or an assessment (.json), found {shown(path.name)}")
    return kind


def _states(first: Path, second: Path) -> Comparison:
    states = [read_state(path) for path in (first, second)]
    about = [
        {
            "record": state["record"], "title": state["title"], "file": str(path),
            "created_utc": state["provenance"].get("created_utc"),
            "program_version": state["provenance"].get("program_version"),
        }
        for state, path in zip(states, (first, second), strict=True)
    ]  # fmt: skip
    found = differences(*(content_of_state(state) for state in states))
    return compare(about[0], about[1], found, states[0]["metrics"], states[1]["metrics"])


def _records(first: Path, second: Path, out: Path, **options: Any) -> Comparison:
    files = (first, second)
    records = [load_record(path) for path in files]
    for record in records:  # both before anything is simulated
        check_names(record, every_metric())
        instances_of(record, options["instance"])
    limits = [limits_for(record, path) for path, record in zip(files, records, strict=True)]
    found = differences(*map(content_of_record, records, limits))
    old, new = (
        assess_record(record, path, one, out, **options)
        for record, path, one in zip(records, files, limits, strict=True)
    )
    return compare(_about(old, first), _about(new, second), found, old.metrics, new.metrics)


def _swapped(file: Path, swaps: Swaps, out: Path, **options: Any) -> Comparison:
    original, changed = load_swapped(file, swaps)
    limits = limits_for(original, file)
    found = differences(content_of_record(original, limits), content_of_record(changed, limits))
    old = assess_record(original, file, limits, out, **options)
    with swaps.told_where_given():
        new = assess_record(changed, file, limits, out, **options)
    about = {**_about(new, file), "kept": _kept(changed, swaps)}
    return compare(_about(old, file), about, found, old.metrics, new.metrics)


def _about(assessment: Assessment, file: Path) -> dict[str, Any]:
    told = assessment.provenance
    return {
        "record": assessment.record, "title": assessment.title, "file": str(file),
        "created_utc": told["created_utc"], "program_version": told["program_version"],
        "simulations_started": told["simulations_started"],
    }  # fmt: skip


def _kept(record: SupplyRecord, swaps: Swaps) -> Mapping[str, list[str]]:
    """Part -> values left as they were where single fields were swapped: of another part they may differ."""
    kept = {}
    for part, fields in swaps.parts.items():
        place = ".".join(part_path(part))
        names = [path.removeprefix(f"{place}.") for path in record.quantities if path.startswith(f"{place}.")]
        if "kind" not in fields:
            kept[place] = [name for name in names if name not in fields]
    return kept
