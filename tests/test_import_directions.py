"""Imports go one way. The rooms are listed from the bottom up; a room may import those below it, none beside it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# room -> rooms of the project it may import from, itself left out
ALLOWED = {
    "netlists": set(),
    "harness.contracts": {"netlists"},
    "harness.store": {"netlists", "harness.contracts"},
    "harness.simulate": {"netlists", "harness.contracts", "harness.store"},
    "harness.postprocess": {"harness.contracts"},
    "harness.handcalc": {"netlists", "harness.contracts"},
    "harness.capture": {"netlists", "harness.contracts"},
    "harness.plan": {
        "netlists", "harness.contracts", "harness.store", "harness.simulate", "harness.postprocess", "harness.handcalc",
    },
}  # fmt: skip
ALLOWED["harness.partlist"] = {"netlists", "harness.contracts", "harness.capture"}
ALLOWED["harness.judge"] = ALLOWED["harness.plan"] | {"harness.plan"}
ALLOWED["harness.stored"] = ALLOWED["harness.plan"] | {"harness.plan"}
ALLOWED["harness.batch"] = ALLOWED["harness.plan"] | {"harness.plan"}
ALLOWED["harness.show"] = ALLOWED["harness.judge"] | {
    "harness.judge", "harness.stored", "harness.batch", "harness.partlist",
}  # fmt: skip
ALLOWED["harness.check"] = ALLOWED["harness.show"] | {"harness.show"}
ALLOWED["harness.measure_next"] = ALLOWED["harness.check"] | {"harness.check"}
ALLOWED["harness.compare"] = ALLOWED["harness.merge_gate"] = ALLOWED["harness.measure_next"]
ALLOWED["harness.publish"] = ALLOWED["harness.measure_next"] | {"harness.measure_next"}
ALLOWED["harness.captures"] = ALLOWED["harness.check"] | {"harness.capture"}
ALLOWED["harness.fitting"] = ALLOWED["harness.captures"] | {"harness.captures", "harness.check"}
ALLOWED["harness.cli_laying"] = set()
ALLOWED["harness.cli_fit"] = ALLOWED["harness.fitting"] | {"harness.fitting", "harness.cli_laying"}
ALLOWED["harness.cli_capture"] = ALLOWED["harness.captures"] | {"harness.captures", "harness.cli_laying"}
ALLOWED["harness.corrections"] = {"netlists", "harness.store"}
ALLOWED["harness.parts_list"] = ALLOWED["harness.corrections"] | {"harness.corrections", "harness.partlist"}
ALLOWED["harness.cli_record"] = ALLOWED["harness.parts_list"] | {"harness.parts_list", "harness.show"}
ALLOWED["harness.overlays"] = ALLOWED["harness.captures"] | {"harness.captures"}
ALLOWED["harness.view"] = ALLOWED["harness.overlays"] | {"harness.overlays"}
ALLOWED["harness.cli_view"] = ALLOWED["harness.view"] | {"harness.view"}
ALLOWED["harness.reviewing"] = ALLOWED["harness.judge"] | {"harness.judge"}
ALLOWED["harness.cli_review"] = ALLOWED["harness.show"] | {"harness.show", "harness.reviewing"}
ALLOWED["harness.cli"] = ALLOWED["harness.publish"] | {
    "harness.compare", "harness.merge_gate", "harness.publish", "harness.cli_capture", "harness.cli_fit",
    "harness.cli_record", "harness.cli_review", "harness.cli_view",
}  # fmt: skip

# library -> the only modules that may import it
ONLY_USERS = {
    "h5py": "harness/store/",
    "sqlite3": "harness/store/index.py",
    "matplotlib": (
        "harness/show/plots.py,harness/show/run_plot.py,harness/show/gain_plot.py,harness/show/gate_plot.py,"
        "harness/show/capture_plot.py,harness/show/fit_plot.py"
    ),
    "junitparser": "harness/show/gate_junit.py",
    "rich": "harness/show/,harness/cli.py,harness/cli_capture.py,harness/cli_record.py",
    "cyclopts": (
        "harness/cli.py,harness/cli_capture.py,harness/cli_fit.py,harness/cli_laying.py,harness/cli_record.py,"
        "harness/cli_review.py,harness/cli_view.py"
    ),
    "openpyxl": "harness/partlist/workbook.py",
    "PIL": "harness/store/photos.py",
    "starlette": "harness/show/viewer/",
    "uvicorn": "harness/view.py",
    "distributed": "harness/simulate/cluster.py",
    "pyarrow": "harness/store/export.py",
    "SALib": "harness/judge/screening.py",
    "jinja2": "harness/show/report/page.py",
    "latex2mathml": "harness/show/report/formulas.py",
    "PySpice.Spice.NgSpice": "harness/simulate/ngspice.py",
}
BUILDERS = ("netlists.stages", "netlists.devices", "netlists.decktext", "PySpice")


def modules() -> list[Path]:
    return sorted(path for package in ("netlists", "harness") for path in (ROOT / package).rglob("*.py"))


def imports_of(path: Path) -> set[str]:
    """Full names a module imports, at its top or inside functions; type-checking blocks count too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return found


def room_of(name: str) -> str | None:
    parts = name.split(".")
    if parts[0] == "netlists":
        return "netlists"
    return ".".join(parts[:2]) if parts[0] == "harness" and len(parts) > 1 else None


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    own = room_of(".".join(path.relative_to(ROOT).with_suffix("").parts)) or ""
    if own == "harness.__init__":
        return
    rooms = {room for room in map(room_of, imports_of(path)) if room and room != own}
    assert rooms <= ALLOWED[own], f"{own} may not import {sorted(rooms - ALLOWED[own])}"


@pytest.mark.parametrize("library", ONLY_USERS)
def test_libraries_stay_in_their_room(library: str) -> None:
    users = {
        str(path.relative_to(ROOT))
        for path in modules()
        if any(name == library or name.startswith(library + ".") for name in imports_of(path))
    }
    allowed = tuple(ONLY_USERS[library].split(","))
    assert users, f"nothing imports {library}: mend this test"
    assert all(user.startswith(allowed) for user in users), users


def test_hand_calculation_never_builds() -> None:
    """Hand calculations know the parameters of a stage and nothing that builds or measures."""
    for path in (ROOT / "harness" / "handcalc").glob("*.py"):
        for name in imports_of(path):
            if name.startswith("netlists.stages"):
                assert name.rsplit(".", 1)[1] in {
                    "rectifier_bulk", "buck", "boost_pfc", "switching", "Params", "Rail", "Switch", "Diode", "Choke",
                    "banks", "Bank", "GateLaw", "SHORT", "BODY_TEST_CURRENT", "middle_capacitance", "core_resistance",
                    "PROBE_BANDWIDTH", "PROBE_CAPACITORS", "legs", "edges", "cut_instant", "cut_share", "high_law",
                    "low_law", "lower_capacitance",
                    "input_voltage", "instant_power", "outputs", "Output", "Transformer", "Winding",
                    "llc", "across_winding", "rectifier_capacitance", "output_network", "Branch", "Network",
                    "choke_state_at",
                    "two_switch_forward", "choke_capacitance", "end_capacitances", "idle_capacitance", "law_of",
                    "leakage_damping", "loop_capacitance", "primary_capacitance", "whole", "IDLE_QUALITY",
                    "flyback", "flyback_params", "Secondary", "switch_law", "switch_capacitance",
                    "drain_capacitance", "turn_on_delay", "loop_damping", "place_capacitance",
                }, f"{path.name} imports {name}"  # fmt: skip
            else:
                assert not name.startswith(BUILDERS), f"{path.name} imports {name}"


def test_every_simulated_kind_has_a_plan() -> None:
    from harness.plan.plan import PLANS
    from netlists.catalog import STAGES

    assert set(PLANS) == set(STAGES)


def test_no_possessive_quantifiers() -> None:
    """Python 3.11.2, which Debian 12 has, matches them wrongly (mended in 3.11.4), and no newer one would show it."""
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and "\\" in node.value:
                assert not re.search(r"[\])][*+?}]\+|\(\?>", node.value), f"{path}: {node.value[:60]}"
