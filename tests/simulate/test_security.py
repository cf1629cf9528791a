"""A deck is code: every way a command was seen to reach a shell or a file, each with a canary that must not appear.

Each route is shown three times: that it works where nothing guards it (else the test would prove nothing), that the
deck check refuses it, and that nothing happens where it comes as a case of a campaign.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from simulate_decks import (
    CHECKED_REFERENCE,
    RC,
    SAVE,
    SOURCE,
    STOP,
    TRAN,
    case_of,
    request_of,
    run_lines,
    run_reference,
)

from harness.contracts import Transient
from harness.simulate.campaign import Campaign
from harness.simulate.case import transient_case
from harness.simulate.executors import LocalPool
from netlists import decktext
from netlists.errors import BulkrailError, DeckError
from netlists.point import Condition, Point
from netlists.record import SupplyRecord, load_record
from netlists.stages import rectifier_bulk as stage

SEPARATORS = ("\n", "\r", "\r\n", "\v", "\f", "\x1c", "\x1d", "\x1e", "\x85", "\u2028", "\u2029")
PACKAGE = Path(decktext.__file__).parent
DEMONSTRATION = PACKAGE / "records" / "lantern-65.toml"


def control(*commands: str) -> tuple[str, ...]:
    return (SOURCE, *RC, SAVE, TRAN, ".control", *commands, ".endc")


def routes(canary: Path) -> dict[str, tuple[str, ...]]:
    """Route -> lines that leave the canary where nothing stops them."""
    script = canary.with_suffix(".script")
    script.write_text(f"* a script\n.control\nshell touch {canary}\n.endc\n")
    inner = canary.with_suffix(".inc")
    inner.write_text(f".control\nshell touch {canary}\n.endc\n")
    library = canary.with_suffix(".lib")
    library.write_text(f".lib tt\n.control\nshell touch {canary}\n.endc\n.endl\n")
    return {
        "control_block": control(f"shell touch {canary}"),
        "comment_command": (SOURCE, *RC, SAVE, TRAN, f"*#shell touch {canary}"),
        "include": (SOURCE, *RC, f".include {inner}", SAVE, TRAN),
        "lib": (SOURCE, *RC, f".lib {library} tt", SAVE, TRAN),
        "source": control(f"source {script}"),
        "write": control("run", f"write {canary}"),
        "wrdata": control("run", f"wrdata {canary} b"),
        "echo_redirection": control(f"echo hello > {canary}"),
    }


ROUTES = (
    "control_block", "comment_command", "include", "lib", "source", "write", "wrdata", "echo_redirection",
)  # fmt: skip


def left_by(canary: Path) -> list[Path]:
    """Files a route left; wrdata adds an ending of its own."""
    return [path for path in canary.parent.glob(f"{canary.name}*") if path.suffix not in (".script", ".inc", ".lib")]


@pytest.mark.parametrize("route", ROUTES)
def test_security_route_works_unguarded(route: str, tmp_path: Path, one_worker: LocalPool, reference: str) -> None:
    lines = routes(tmp_path / "canary")[route]
    list(one_worker.answers([("route", run_lines, (lines, ("b",), STOP))]))
    assert left_by(tmp_path / "canary"), "the route is closed by now: this test can go"
    (after,) = one_worker.answers([("next", run_reference, ())])
    assert after.value == reference


@pytest.mark.parametrize("route", ROUTES)
def test_security_deck_check_refuses(route: str, tmp_path: Path) -> None:
    lines = routes(tmp_path / "canary")[route]
    with pytest.raises(DeckError):
        decktext.check_lines(lines)


def test_security_routes_as_cases_do_nothing(tmp_path: Path) -> None:
    lines = [*routes(tmp_path / "canary").values(), control(f"codemodel {tmp_path / 'canary'}")]
    lines += [(*CHECKED_REFERENCE[:3], f"{SAVE}{mark}.control{mark}shell touch {tmp_path / 'canary'}", TRAN)
              for mark in SEPARATORS]  # fmt: skip
    with Campaign(tmp_path / "results", workers=1, time_limit=20.0) as campaign:
        outcomes = campaign.run([request_of(case_of(some)) for some in lines])
    assert {outcome.status for outcome in outcomes} == {"failed"}
    assert all(outcome.error.startswith("deck: ") for outcome in outcomes)
    assert left_by(tmp_path / "canary") == []


def test_security_codemodel_is_refused(tmp_path: Path) -> None:
    for lines in (control(f"codemodel {tmp_path}/canary.cm"), (*CHECKED_REFERENCE, f"codemodel {tmp_path}/canary.cm")):
        with pytest.raises(DeckError):
            decktext.check_lines(lines)


@pytest.mark.parametrize("mark", SEPARATORS, ids=[ascii(mark).strip("'") for mark in SEPARATORS])
def test_security_separator_in_a_name_or_value(mark: str) -> None:
    smuggled = f"b{mark}.control{mark}shell touch canary"
    for printer in (decktext.name, decktext.node, decktext.number):
        with pytest.raises(DeckError) as refused:
            printer(smuggled)  # type: ignore[operator]
        assert len(str(refused.value).splitlines()) == 1
    for line in (f"rin a {smuggled} 1000.0", f"rin a b 1000.0{mark}", f"{SAVE}{mark}", f"{mark}{SAVE}"):
        with pytest.raises(DeckError):
            decktext.check_lines([line])


def deck_of(record: SupplyRecord) -> tuple[str, ...]:
    """The rectifier's deck at the record's nominal values."""
    params, _ = stage.params_from(record, "mains_rectifier", Point({}, {}))
    bench = stage.bench(params, Condition(230.0, 50.0, 65.0, 25.0), stage.Scenario(0.02, 2e-5))
    return transient_case(bench, stage.probes(params), Transient(0.02, 2e-5), "event_survey").lines


def toml_text(text: str) -> str:
    """A TOML string of any characters."""
    return '"' + "".join(f"\\u{ord(letter):04X}" if not letter.isalnum() else letter for letter in text) + '"'


@pytest.mark.parametrize("mark", SEPARATORS, ids=[ascii(mark).strip("'") for mark in SEPARATORS])
def test_security_no_text_of_a_record_reaches_a_deck(mark: str, tmp_path: Path) -> None:
    """Titles, notes, markings and designators full of commands are refused, or leave the deck as it was."""
    text = DEMONSTRATION.read_text()
    evil = toml_text(f"x{mark}.control{mark}shell touch {tmp_path}/canary{mark}.endc{mark}*#shell touch canary")
    places = {
        '"65 W harbour lantern supply, wide-range flyback with capacitor input"': evil,
        '"flat in-line package"': evil,
        '"black disc, 9 mm, print worn"': evil,
        '"at half its rated current"': evil,
        "[stages.mains_rectifier.parts.RT1]": f"[stages.mains_rectifier.parts.{evil}]",
        'resistance_25 = { value = "5 20%"': f"resistance_25 = {{ value = {evil}",
    }
    expected = deck_of(load_record(DEMONSTRATION))
    for old, new in places.items():
        assert old in text, old
        file = tmp_path / "evil.toml"
        file.write_text(text.replace(old, new), encoding="utf-8")
        try:
            assert deck_of(load_record(file)) == expected
        except BulkrailError as error:
            assert all(line.isprintable() for line in str(error).split("\n"))  # noqa: PT017
    assert not (tmp_path / "canary").exists()


SCRIPT = """
import json, sys
from pathlib import Path
from simulate_decks import describe_surroundings, run_reference
from harness.simulate.executors import LocalPool
if __name__ == "__main__":
    with LocalPool(1, 60.0) as pool:
        values = [answer.value for answer in pool.answers([(1, run_reference, ()), (2, describe_surroundings, ())])]
    print(json.dumps(values))
"""
UNGUARDED = """
from simulate_decks import run_reference
print(run_reference(1))
"""


def test_security_no_start_file_is_read(tmp_path: Path, reference: str) -> None:
    """``.spiceinit`` in the working folder and in HOME, ``spinit`` where SPICE_LIB_DIR points to."""
    start = "* start file\nshell touch {}\n"
    folders = {name: tmp_path / name for name in ("here", "home", "library")}
    for folder in folders.values():
        folder.mkdir()
    (folders["here"] / ".spiceinit").write_text(start.format(tmp_path / "canary-here"))
    (folders["home"] / ".spiceinit").write_text(start.format(tmp_path / "canary-home"))
    (folders["library"] / "scripts").mkdir()
    (folders["library"] / "scripts" / "spinit").write_text(start.format(tmp_path / "canary-library"))
    environment = os.environ | {
        "HOME": str(folders["home"]),
        "SPICE_LIB_DIR": str(folders["library"]),
        "SPICE_SCRIPTS": str(folders["library"] / "scripts"),
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), str(PACKAGE.parent)]),
    }

    def run(script: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", script], cwd=folders["here"], env=environment, capture_output=True, text=True,
            timeout=120, check=True,
        )  # fmt: skip
        return done.stdout

    digest, around = json.loads(run(SCRIPT))
    assert digest == reference
    assert list(tmp_path.glob("canary*")) == []
    assert around["files"] == []
    assert around["home"] == around["cwd"]
    assert around["variables"] == []
    assert not Path(around["cwd"]).exists()
    run(UNGUARDED)
    assert {path.name for path in tmp_path.glob("canary*")} >= {"canary-here"}, "start files are closed by now"


def test_case_is_checked_where_it_is_run(tmp_path: Path) -> None:
    """A case changed after it was built is refused by the worker, not only by its builder."""
    case = replace(case_of(CHECKED_REFERENCE), lines=(*CHECKED_REFERENCE, f"*#shell touch {tmp_path}/canary"))
    with Campaign(tmp_path / "results", workers=1) as campaign:
        (outcome,) = campaign.run([request_of(case)])
    assert (outcome.status, outcome.metrics) == ("failed", ())
    assert not (tmp_path / "canary").exists()
