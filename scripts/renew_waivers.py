"""Brings the waivers of records up to date with what a results folder holds, and says what a person must look at.

    .venv/bin/python scripts/renew_waivers.py results netlists/records/lantern-65.toml ...

A waiver keeps its name, verdict and reason; values and ranges become those of now, rows that no longer fail go. No row
is added: rows that no waiver names are printed as waivers without a reason, to be given one and pasted by hand. Waivers
stand last in a limits file, and all from the first of them on is written anew. Review the difference as any other.
"""

from __future__ import annotations

import re
import sys
from datetime import date
from pathlib import Path

from harness.judge.gate import decide
from harness.judge.limits_file import limits_beside, load_limits
from harness.judge.waiver_offer import offer, renewed
from harness.merge_gate import gather
from harness.store.export import write_whole
from netlists.errors import BulkrailError, InputError
from netlists.record import load_record

FIRST = re.compile(r"^\[(?:waivers\.|waived_ranges)", re.MULTILINE)
OTHERS = re.compile(r"^\[(?!waivers\.|waived_ranges)", re.MULTILINE)  # tables that a rewrite would lose


def renew(results: Path, file: Path, baselines: Path) -> None:
    """Renews the waivers in the limits file beside a record."""
    record, limits_file = load_record(file), limits_beside(file)
    if limits_file is None:
        print(f"{file}: no limits file beside it")
        return
    today = date.today().isoformat()
    evidence = gather(record, file, load_limits(limits_file, record), results, baselines)
    failures = decide(evidence)
    text, left = renewed(evidence, failures, today)
    written = limits_file.read_text(encoding="utf-8")
    first = FIRST.search(written)
    if first and (other := OTHERS.search(written, first.start())):
        line = written[: other.start()].count("\n") + 1
        raise InputError(f"{limits_file}:{line}: move this table before the waivers, which are written anew to the end")
    if first:
        write_whole(limits_file, (written[: first.start()] + text).encode())
    for failure in left:
        print(f"{record.name}: {failure.key}: {failure.kind}: {failure.message}")
    print(offer(evidence, left, today), end="")


if __name__ == "__main__":
    if len(sys.argv) < 3:
        print("renew_waivers: give a results folder, then record files", file=sys.stderr)
        sys.exit(2)
    try:
        for argument in sys.argv[2:]:
            renew(Path(sys.argv[1]), Path(argument), Path("results/baseline"))
    except BulkrailError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
