"""The gate's one picture: the worst margins of all records, now and in their baselines."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from harness.judge.gate import Gated
from harness.show.gate_summary import margin_before, worst_margins
from harness.store.export import write_whole

MOST_BARS = 20
WIDEST = 1.0  # of margins drawn: what is further out ends at the edge
COLOURS = {"clear": "#1f4e6b", "waived": "#b8860b", "fails": "#8a3b12"}


def draw_margins(found: Sequence[Gated], file: Path) -> bool:
    """Draws the picture, whole or not at all; False where no row has a margin.

    Raises
    ------
    StoreError : the file cannot be written
    """
    rows = sorted(
        ((row["margin"], one, key) for one in found for key, row in worst_margins(one)[:MOST_BARS]),
        key=lambda item: (item[0], item[2]),
    )[:MOST_BARS]
    if not rows:
        return False
    figure = Figure(figsize=(10, 1.2 + 0.28 * len(rows)), dpi=110, layout="constrained")
    axis = figure.subplots()
    axis.axvline(0.0, color="black", linewidth=1)
    for place, (margin, one, key) in enumerate(rows):
        axis.barh(place, _drawn(margin), height=0.6, color=COLOURS[_state(one, key)])
        before = margin_before(one, key)
        if before is not None:
            axis.plot(_drawn(before), place, marker="|", markersize=11, color="black")
    axis.set_yticks(range(len(rows)), [f"{one.record}: {key}" for _, one, key in rows], fontsize=7)
    axis.invert_yaxis()
    axis.xaxis.set_major_formatter(PercentFormatter(1.0))
    axis.set_xlabel("margin of the worst case to its limit, cut at 100 %; stroke: baseline")
    for word, colour in COLOURS.items():
        axis.barh(0, 0, color=colour, label=word)
    axis.legend(fontsize=7, loc="lower left")
    image = io.BytesIO()
    figure.savefig(image, format="png")
    write_whole(file, image.getvalue())
    return True


def _drawn(margin: float) -> float:
    return max(-WIDEST, min(WIDEST, margin))


def _state(one: Gated, key: str) -> str:
    about = [failure for failure in one.failures if failure.key == key]
    return "clear" if not about else "waived" if all(failure.waiver for failure in about) else "fails"
