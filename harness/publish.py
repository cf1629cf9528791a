"""A report from its record's file to a page that stands alone, and a published page held against the record of now."""

from __future__ import annotations

import datetime
import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.check import assess_record, circuits_of, instances_of, stored_state, written_files
from harness.judge.assess import Assessment, finite
from harness.judge.comparison import Comparison, compare
from harness.judge.differences import Difference, content_of_record, content_of_state, differences
from harness.judge.holding import Lapse, claim_lapses, lapses, measurement_lapses
from harness.judge.limits_file import LimitsFile, limits_for
from harness.judge.published import Published, read_published
from harness.measure_next import kept_answer, measure_next
from harness.show.next_table import next_json
from harness.show.report import report_page
from harness.show.report.pdf import write_pdf
from harness.store.export import write_whole
from netlists.errors import InputError, OptionError, SetupError
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Recheck:
    """A published report held against the record of now.

    Parameters
    ----------
    published : what the report carries;  differences : of record and limits since
    lapses : metrics that no longer hold;  claims, measurements : of these, as of ``judge.holding``
    held : number of published metrics;  new : rows that the report does not have
    """

    published: Published
    differences: tuple[Difference, ...]
    lapses: tuple[Lapse, ...]
    claims: tuple[Mapping[str, Any], ...]
    measurements: tuple[Mapping[str, Any], ...]
    held: int
    new: tuple[Mapping[str, Any], ...]

    @property
    def exit_code(self) -> int:
        """1 where something published no longer holds."""
        return 1 if self.lapses or self.claims or self.measurements else 0

    def plain(self) -> dict[str, Any]:
        """What moved, as plain JSON types."""
        return {
            "differences": [
                {
                    "place": one.place,
                    "change": one.change,
                    "fields": {name: {"before": old, "after": new} for name, (old, new) in one.fields.items()},
                }
                for one in self.differences
            ],
            "metrics": [lapse.plain() for lapse in self.lapses],
            "claims": list(self.claims),
            "measurements": list(self.measurements),
        }

    def to_json(self) -> str:
        """The same as JSON text."""
        told = {"schema": 1, "record": self.published.assessment["record"], "published": self.published.published_utc}
        content = {**told, "metrics_published": self.held, "metrics_new": len(self.new), **self.plain()}
        return json.dumps(finite(content), indent=1, allow_nan=False) + "\n"


def write_report(
    file: Path,
    out: Path,
    results: Path,
    *,
    instance: str | None = None,
    limits_file: Path | None = None,
    readings: bool = False,
    pdf: bool | None = None,
    corrects: Path | None = None,
    workers: int | None = None,
    on_progress: Progress | None = None,
) -> list[str]:
    """Writes ``OUT/<record>.html``, and a PDF beside it; returns one line a file, or why there is none.

    Parameters
    ----------
    results : of ``bulkrail check``; what it holds is not simulated again
    readings : rank what to measure next; without, the stored answer of ``bulkrail next`` is taken where there is one
    pdf : None: where Chromium is installed
    corrects : an earlier report of the same record, whose errata this one carries on

    Raises
    ------
    InputError : record, limits file, option or the corrected report is wrong
    SetupError : libngspice is missing, or a PDF was asked for and cannot be
    StoreError : a folder or a stored run cannot be used
    """
    old = read_published(corrects) if corrects is not None else None
    record = load_record(file)
    if old is not None:
        _check_name(record, old[0])
    limits = limits_for(record, file, limits_file)
    instances = instances_of(record, instance)
    assessment = _stored_assessment(record, file, limits, results, instance)
    if assessment is None:
        assessment = _assessed(
            record, file, limits, results, instance=instance, workers=workers, on_progress=on_progress
        )
        if instance is None:  # as a check leaves it, so that nothing else has to judge this record again
            written_files(record, Assessment.from_state(assessment), results, plots=False)
    if readings:
        found = measure_next(
            file, results, instance=instance, workers=workers, limits_file=limits_file, on_progress=on_progress
        )
        answer: Mapping[str, Any] | None = next_json(found)
    else:
        answer = kept_answer(results, record, file, limits, instance)
    published = Published(
        _now(), instance, file.name, _text(file), limits.file, _limits_text(file, limits_file, limits), assessment,
        None if answer is None else json.loads(json.dumps(finite(answer))),
    )  # fmt: skip
    if old is not None:
        published = _corrected(published, *old)
    page = out / f"{record.name}.html"
    write_whole(page, report_page(record, published, circuits_of(record, instances), results, file).encode())
    return [f"report: {page}", *_printed(page, pdf)]


def _printed(page: Path, wanted: bool | None) -> list[str]:
    """The PDF's line, or why there is none; SetupError where one was asked for and cannot be."""
    if wanted is False:
        return []
    target = page.with_suffix(".pdf")
    try:
        write_pdf(page, target)
    except SetupError as error:
        if wanted:
            raise
        return [str(error)]
    return [f"PDF: {target}"]


def recheck_report(
    report: Path,
    file: Path | None,
    results: Path,
    *,
    limits_file: Path | None = None,
    workers: int | None = None,
    on_progress: Progress | None = None,
) -> Recheck:
    """Checks the record as it is now and holds the published numbers against that.

    Parameters
    ----------
    file : the record; None: the one of the published name beside the report, or in the current folder

    Raises
    ------
    InputError : the report was edited or is none, or record or limits file is wrong
    SetupError, StoreError : as of ``check_record``
    """
    published, _ = read_published(report)
    file = file if file is not None else _record_of(report, published)
    record = load_record(file)
    _check_name(record, published)
    limits = limits_for(record, file, limits_file)
    now = _assessed(
        record, file, limits, results, instance=published.instance, workers=workers, on_progress=on_progress
    )
    return held_against(published, now, (record, limits))


def held_against(published: Published, now: Mapping[str, Any], present: tuple[SupplyRecord, LimitsFile]) -> Recheck:
    """A published report against an assessment of a record with its limits."""
    old = published.assessment
    found: Comparison = compare({}, {}, (), old["metrics"], now["metrics"])
    return Recheck(
        published, _differences(published, now, present), tuple(lapses(found)), tuple(claim_lapses(old, now)),
        tuple(measurement_lapses(old, now)), len(old["metrics"]), found.only_second,
    )  # fmt: skip


def _corrected(new: Published, old: Published, seal: str) -> Published:
    """A report with errata: what the earlier one said that this one does not, and all errata before."""
    with tempfile.TemporaryDirectory() as folder:
        record, limits = _unpacked(new, Path(folder))
    moved = held_against(old, new.assessment, (record, limits))
    erratum = {"date": new.published_utc, "corrects": seal, "published_utc": old.published_utc, **moved.plain()}
    fields = {name: getattr(new, name) for name in new.__dataclass_fields__}
    return Published(**{**fields, "errata": (*old.errata, json.loads(json.dumps(finite(erratum))))})


def _differences(
    published: Published, now: Mapping[str, Any], present: tuple[SupplyRecord, LimitsFile]
) -> tuple[Difference, ...]:
    """Of record and limits; where this program no longer reads the published ones, of what the assessment keeps."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            before = content_of_record(*_unpacked(published, Path(folder)))
        except InputError:
            return differences(content_of_state(published.assessment), content_of_state(now))
    return differences(before, content_of_record(*present))


def _unpacked(published: Published, folder: Path) -> tuple[SupplyRecord, LimitsFile]:
    """Record and limits file as published, read in a folder of their own."""
    file = folder / "record.toml"
    file.write_text(published.record_text, encoding="utf-8", newline="")
    limits = None
    if published.limits_text:
        limits = folder / "limits.toml"
        limits.write_text(published.limits_text, encoding="utf-8", newline="")
    record = load_record(file)
    return record, limits_for(record, file, limits)


def _assessed(record: SupplyRecord, file: Path, limits: LimitsFile, results: Path, **options: Any) -> Mapping[str, Any]:
    return dict(json.loads(assess_record(record, file, limits, results, **options).to_json()))


def _stored_assessment(
    record: SupplyRecord, file: Path, limits: LimitsFile, results: Path, instance: str | None
) -> Mapping[str, Any] | None:
    """The assessment a check of this very record, limits and program left; None where there is none."""
    content = stored_state(record, file, limits, results)
    try:
        if content is None or not all(
            "consistent" in one for one in content["measurements"]
        ):  # an older one has it not
            return None
        covered = {name for name, state in content["coverage"]["instances"].items() if state == "simulated"}
    except (KeyError, TypeError, AttributeError):  # not one of ours: check anew
        return None
    return content if covered == set(instances_of(record, instance)) else None


def _check_name(record: SupplyRecord, published: Published) -> None:
    name = published.assessment["record"]
    if record.name != name:
        raise OptionError(f"{record.file}: the report is of {shown(name)}, this record is {shown(record.name)}")


def _record_of(report: Path, published: Published) -> Path:
    name = Path(published.record_file).name
    for place in (report.parent / name, Path(name)):
        if place.is_file():
            return place
    raise OptionError(f"recheck: {shown(name)} lies neither beside the report nor here; name the record's file")


def _text(file: Path) -> str:
    return file.read_bytes().decode("utf-8")


def _limits_text(file: Path, limits_file: Path | None, limits: LimitsFile) -> str:
    if not limits.file:
        return ""
    return _text(limits_file if limits_file is not None else file.with_name(limits.file))


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
