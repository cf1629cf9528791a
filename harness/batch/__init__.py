"""Sweeps for scripts: ``Batch(record, instance, metrics, axes).run()`` gives a table of rows."""

from harness.batch.batch import Batch as Batch
from harness.batch.sweep_file import load_sweep as load_sweep
from harness.batch.table import Row as Row
from harness.batch.table import SweepTable as SweepTable
from harness.plan.sweep import Ageing as Ageing
from harness.plan.sweep import Axis as Axis
from harness.plan.sweep import Design as Design
