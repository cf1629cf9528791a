"""A sweep's table and counts as text for a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.batch.batch import Planned
from harness.batch.table import Key, Row, SweepTable
from harness.plan.sweep import Scale
from netlists.errors import one_line
from netlists.quantity import engineering

MOST_ROWS = 40  # shown; files hold all
MOST_AXES, MOST_METRICS = 4, 3  # columns that fit into 100
MOST_REASONS = 5


def print_sweep(console: Console, table: SweepTable) -> None:
    """Rows, the worst of each metric, what failed or was rejected and why, and counts."""
    scales, keys = table.scales[:MOST_AXES], table.keys[:MOST_METRICS]
    shown = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for heading in (
        *(_short(scale.path).replace(".", "\n") for scale in scales),
        *("\n".join(key) for key in keys),
        "",
    ):
        shown.add_column(heading, justify="right", overflow="fold")
    for row in table.rows[:MOST_ROWS]:
        cells = [_level(row, scale) for scale in scales] + [_value(table, row, key) for key in keys]
        shown.add_row(*cells, Text("" if row.status == "ok" else row.status, style="bold red"))
    console.print(shown)
    if len(table.rows) > MOST_ROWS:
        console.print(f"... and {len(table.rows) - MOST_ROWS} more rows: --csv FILE writes all", highlight=False)
    left_out = len(table.scales) + len(table.keys) - len(scales) - len(keys)
    if left_out:
        console.print(f"... and {left_out} more columns", highlight=False)
    for key in table.keys:
        worst = table.worst(key)
        assert worst is not None  # a key comes from a row that has it
        at = ", ".join(f"{_short(scale.path)} {_level(worst, scale)}" for scale in scales)
        line = f"worst {key[0]} of {key[1]}: {_value(table, worst, key)} at {at} (run {worst.runs[key][:12]})"
        console.print(Text(line), soft_wrap=False)
    for line in closing_lines(table):
        console.print(Text(line), soft_wrap=False)


def closing_lines(table: SweepTable) -> list[str]:
    """Why rows failed or were rejected, the rejected share, and what it took."""
    lines = []
    for status in ("failed", "rejected"):
        reasons: dict[str, list[str]] = {}
        for row in table.rows:
            if row.status == status:
                reasons.setdefault(row.reason.partition(":")[0], []).append(row.reason)
        often = sorted(reasons.values(), key=len, reverse=True)[:MOST_REASONS]
        lines += [f"{status}: {_points(len(group))}, such as: {one_line(group[0])}" for group in often]
    counts = f"{table.count('ok')} ok, {table.count('failed')} failed, {table.count('rejected')} rejected"
    lines.append(f"{_points(len(table.rows))}: {counts} ({table.rejected_share * 100:.3g} % of all)")
    rate = f", {table.simulated / table.seconds:.3g} a second" if table.simulated else ""
    lines.append(f"{table.simulated} cases simulated in {table.seconds:.3g} s{rate}; all others were stored")
    return lines


def planned_line(planned: Planned) -> str:
    """What a run would do."""
    least = "" if planned.is_whole else "at least "
    left = planned.cases - planned.stored
    text = f"{_points(planned.points)}, {planned.rejected} rejected: {least}{planned.cases} cases, "
    return text + f"{planned.stored} stored, {least}{left} to simulate"


def _short(path: str) -> str:
    """The end of a path: a designator with its field, or a field alone."""
    words = path.split(".")
    return ".".join(words[-2:]) if len(words) > 3 else words[-1]


def _level(row: Row, scale: Scale) -> str:
    level = row.labels[scale.path]
    if isinstance(level, str):
        return level
    return f"x {level:.4g}" if scale.is_factor else engineering(level, scale.unit)


def _value(table: SweepTable, row: Row, key: Key) -> str:
    return engineering(row.values[key], table.rules[key[0]].unit) if key in row.values else "-"


def _points(count: int) -> str:
    return f"{count} point" if count == 1 else f"{count} points"
