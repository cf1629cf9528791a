"""The whole page of a report from its data and stored runs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from harness.judge.published import BLANK, Published, sealed
from harness.show.plots import grouped, read_picture
from harness.show.report import part_views, texts, views
from harness.show.report.diagram import block_diagram
from harness.show.report.errata import erratum
from harness.show.report.evidence import evidence_of
from harness.show.report.remarks import remarks
from harness.show.report.waveform import Waveforms, draw_waveforms
from harness.show.schematic import DRAWINGS, stage_svg
from netlists.record import SupplyRecord

Circuit = tuple[str, str, Any]  # instance, kind, parameters
PACKAGE = "harness.show.report"
STYLES = (("harness.show", "palette.css"), (PACKAGE, "templates/report.css"))
SECTIONS = (
    ("claims", "Claims"), ("reviewed", "Read before simulating"), ("open", "Not settled"), ("next", "Measure next"),
    ("measured", "Measured"), ("margins", "Margins"), ("scenario", "Scenario"), ("coverage", "Coverage"),
)  # fmt: skip
LAST_SECTIONS = (("parts", "Parts"), ("limits", "Limits"), ("provenance", "Provenance"))
# Of a circuit drawing, whose ink follows the page: what schemdraw and the sheet write, and what stands there instead
INK = (
    ('fill="white"', 'fill="none"'), ("fill:white", "fill:none"), ("stroke:black", "stroke:currentColor"),
    ("fill:black", "fill:currentColor"), ('fill="black"', 'fill="currentColor"'),
    ("stroke:#666666", "stroke:var(--soft)"), ("fill:#666666", "fill:var(--soft)"),
    ('fill="#666666"', 'style="fill:var(--soft)"'),
)  # fmt: skip


def report_page(
    record: SupplyRecord,
    published: Published,
    circuits: Sequence[Circuit],
    results: Path,
    record_file: Path | None = None,
) -> str:
    """The page, sealed.

    Parameters
    ----------
    circuits : to be drawn;  results : folder with the stored runs
    record_file : beside which the evidence lies; None: it is named and not shown

    Raises
    ------
    StoreError : a stored run cannot be used
    """
    assessment = published.assessment
    evidence = evidence_of(record, record_file)
    rows = views.numbered(assessment)
    stages = views.stages(record, rows)
    drawings = {
        instance: _circuit(kind, params, number)
        for number, (instance, kind, params) in enumerate(circuits)
        if kind in DRAWINGS
    }
    pictures = _pictures(record.name, rows, results)
    for stage in stages:
        stage["circuit"] = drawings.get(stage["name"])
        stage["pictures"] = pictures.get(stage["name"], [])
    data, data_seal = published.packed()
    own = [(f"stage-{number}", stage["name"]) for number, stage in enumerate(stages, 1)]
    page = _environment().get_template("report.html").render(
        blank=BLANK,
        css=Markup("".join(files(package).joinpath(name).read_text(encoding="utf-8") for package, name in STYLES)),
        name=record.name,
        title=assessment["title"],
        published=texts.plain_date(published.published_utc),
        instance=published.instance,
        signs=texts.SIGNS,
        contents=[*SECTIONS, *own, *LAST_SECTIONS],
        summary=views.summary(rows),
        errata=[erratum(one) for one in published.errata],
        claims=views.claims(assessment, rows),
        reviewed=remarks(assessment),
        open=views.open_verdicts(rows),
        readings=views.readings(published.readings),
        measurements=views.measurements(assessment),
        margins=views.margins(rows),
        scenario=views.scenario(record),
        diagram=block_diagram(record, assessment["coverage"]["instances"]),
        coverage=views.coverage(assessment),
        stages=stages,
        parts=part_views.parts(assessment, record, evidence),
        missing_evidence="; ".join(evidence.missing),
        limits=views.limits_in_force(assessment),
        provenance=_provenance(published, data_seal),
        record_file=published.record_file,
        record_text=published.record_text,
        limits_file=published.limits_file,
        limits_text=published.limits_text,
        data=data,
        data_seal=data_seal,
    )  # fmt: skip
    return sealed(page)


def _environment() -> Environment:
    """Escapes everything that is not markup of ours."""
    return Environment(
        loader=PackageLoader(PACKAGE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )


def _pictures(record: str, rows: Sequence[Mapping[str, Any]], results: Path) -> dict[str, list[Waveforms]]:
    """Pictures by instance, those with what is not settled or nearest its limit first."""
    ranked = sorted(grouped(record, rows).values(), key=_urgency)
    found: dict[str, list[Waveforms]] = {}
    for number, group in enumerate(ranked):
        picture = draw_waveforms(read_picture(record, group, results), f"w{number}")
        found.setdefault(group[0]["instance"], []).append(picture)
    return found


def _urgency(rows: Sequence[Mapping[str, Any]]) -> float:
    return min((row["margin"] for row in rows if row["margin"] is not None), default=float("inf"))


def _circuit(kind: str, params: Any, number: int) -> Markup:
    """A drawing with the page's ink; its ids get a prefix, since a page has several drawings."""
    text = stage_svg(kind, params).decode("utf-8")
    for old, new in INK:
        text = text.replace(old, new)
    text = re.sub(r'\b(id="|url\(#|href="#)', rf"\g<1>c{number}-", text)
    return Markup(re.sub(r"<\?xml[^>]*\?>|\bns0:|:ns0", "", text))


def _provenance(published: Published, data_seal: str) -> list[tuple[str, str]]:
    told = published.assessment["provenance"]
    limits = published.assessment.get("limits", {})
    found = [
        ("record", f"{published.record_file}, SHA-256 {told.get('record_sha256', '–')}"),
        (
            "limits file",
            f"{published.limits_file}, SHA-256 {limits.get('sha256')}" if published.limits_file else "none",
        ),
        ("checked", texts.plain_date(told.get("created_utc"))),
        ("bulkrail", str(told.get("program_version", "–"))),
        ("ngspice", str(told.get("ngspice_version", "–"))),
        ("Python", str(told.get("python_version", "–"))),
        ("runs in it", str(len(_run_ids(published.assessment)))),
        ("seal of the data", f"SHA-256 {data_seal}"),
    ]
    return found


def _run_ids(assessment: Mapping[str, Any]) -> set[str]:
    rows = assessment["metrics"]
    return {run for row in rows for run in (row["run_id"], row["adverse"].get("run_id")) if run}
