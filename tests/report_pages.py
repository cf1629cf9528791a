"""Pages of reports made without a simulation, from records that are shown and not checked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from demonstration import LANTERN

from harness.judge.assess import SCHEMA
from harness.judge.listings import coverage, part_rows
from harness.judge.published import Published
from harness.show.report import report_page
from netlists.record import SupplyRecord, load_record

# Markup, quotes, a template's own braces, and letters that no parser should take for white space
HOSTILE = (
    '</script><script>window.stolen=1;alert(1)</script><img src=x onerror="window.stolen=1">',
    "\"' onmouseover='window.stolen=1' x=\"",
    "{{ 7 * 7 }}{% raw %}<!-- ]]> \\u2028",
    "</title></style></pre></details><svg onload=alert(1)>",
    "javascript:alert(1)",
    "a\N{NO-BREAK SPACE}b\N{ZERO WIDTH SPACE}c\N{COMBINING CIRCUMFLEX ACCENT}" + "W" * 300,
)


def hostile_record(folder: Path) -> SupplyRecord:
    """The demonstration record with hostile texts wherever a record may hold any."""
    file = folder / LANTERN.name
    text = LANTERN.read_text(encoding="utf-8")
    old = (
        "65 W harbour lantern supply, wide-range flyback with capacitor input",
        "data sheet: 60 A peak at 230 V, cold start at 25 degC",
        "black disc, 9 mm, print worn",
        "vented box on a quay",
        "c1-sleeve.jpg",
        "first photo was blurred; read again under the microscope",
    )
    for words, hostile in zip(old, HOSTILE, strict=True):
        assert words in text
        quoted = hostile.replace("\\", "\\\\").replace('"', '\\"')
        text = text.replace(words, quoted)
    file.write_text(text, encoding="utf-8")
    return load_record(file)


def _remark(accepted: dict[str, str] | None) -> dict[str, Any]:
    return {
        "rule": HOSTILE[3], "severity": "wrong", "paths": [HOSTILE[0], HOSTILE[2]], "line": 1, "says": HOSTILE[0],
        "likely": HOSTILE[1], "source": HOSTILE[4], "lapsed": HOSTILE[5], "accepted": accepted, "values": {},
    }  # fmt: skip


def published_without_metrics(record: SupplyRecord) -> Published:
    """What a report of a record carries where nothing was simulated."""
    assessment = {
        "schema": SCHEMA, "record": record.name, "title": record.data.title, "coverage": coverage(record, ()),
        "metrics": [], "parts": part_rows(record),
        "claims": [
            {"claim": name, "metric": one.metric, "source": one.source, "verdict": "cannot tell", "why": one.source}
            for name, one in record.data.claims.items()
        ],
        "measurements": [], "limits": {}, "rail_limits": [],
        "provenance": {"created_utc": HOSTILE[0], "program_version": HOSTILE[1], "ngspice_version": HOSTILE[3]},
        "not_modelled": [{"instance": "main_flyback", "what": HOSTILE[0], "reason": HOSTILE[2]}],
        "review": {
            "open": {"wrong": 1, "doubtful": 0, "note": 0}, "accepted": 1, "idle_acceptances": [],
            "remarks": [_remark(None), _remark({"name": "so", "reason": HOSTILE[0], "date": HOSTILE[1]})],
        },
    }  # fmt: skip
    text = "\n".join(HOSTILE)
    erratum = {
        "date": HOSTILE[0], "corrects": "0" * 64, "published_utc": HOSTILE[1],
        "differences": [{"place": HOSTILE[3], "change": "changed", "fields": {"a": {"before": text, "after": None}}}],
        "metrics": [],
        "claims": [{"claim": HOSTILE[0], "before": HOSTILE[1], "after": HOSTILE[3]}],
        "measurements": [],
    }  # fmt: skip
    return Published(
        "2026-11-25T12:00:00+00:00", None, HOSTILE[0], text, HOSTILE[1], text, assessment, None, (erratum,)
    )


def hostile_page(folder: Path) -> Path:
    """A report of a hostile record, as a file."""
    record = hostile_record(folder)
    file = folder / "hostile.html"
    file.write_text(report_page(record, published_without_metrics(record), [], folder), encoding="utf-8")
    return file
