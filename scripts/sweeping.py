"""What the sweep scripts share: records, options, progress, printing.

Run one as ``.venv/bin/python scripts/sweep_inrush.py``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from harness.batch import Batch
from harness.cli import run_and_exit
from harness.show.progress import progress
from harness.show.sweeps import planned_line, print_sweep
from harness.show.terminal import console
from harness.store.export import write_csv

RECORDS = Path(__file__).parents[1] / "netlists" / "records"
KILN = RECORDS / "kiln-900.toml"
LANTERN = RECORDS / "lantern-65.toml"


def main(make: Callable[..., Batch]) -> None:
    """Runs a batch from the command line; bad input is one line, Ctrl-C stops, the same command goes on."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="two or so points")
    parser.add_argument("--dry-run", action="store_true", help="say how many cases would run")
    parser.add_argument("--results", type=Path, default=Path("results"))
    parser.add_argument("--workers", default=None, help="processes, or a Dask scheduler's address")
    given = parser.parse_args()
    workers = int(given.workers) if given.workers is not None and given.workers.isdigit() else given.workers

    def work() -> int:
        batch = make(given.quick, results=given.results, workers=workers)
        if given.dry_run:
            print(planned_line(batch.planned()))
            return 0
        with progress() as on_progress:
            table = batch.run(on_progress)
        print_sweep(console(), table)
        target = given.results / "sweeps" / f"{batch.name}.csv"
        write_csv(target, table.columns())
        print(f"table: {target}")
        return 1 if table.count("failed") else 0

    run_and_exit(work)
