"""``bulkrail fit`` as a user meets it, upon a capture of a bench that knows its truth; and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from references.rectifier.fitted_bench import EXACT, INDUCTANCE, OPEN, RESISTANCE, Truth, current, take, write_record
from test_cli import bulkrail

from harness.captures import Where
from harness.contracts import Transient
from harness.fitting.fit import Wanted, fit_file
from harness.fitting.question import Stated
from harness.simulate import case
from harness.simulate.campaign import Campaign
from harness.store import captures
from netlists.errors import DeckError, InputError
from netlists.formulas import FITTED
from netlists.record import load_record

TRUTH = Truth()
AT = ("--angle", "70deg")


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return write_record(tmp_path, EXACT)


def stored_by_command(record: Path) -> None:
    """The bench's capture as a text file, put beside the record by ``bulkrail capture add``."""
    time, values = current(TRUTH)
    noisy = 1.01 * values + np.random.default_rng(3).normal(0, 0.2, len(time))
    file = record.with_name("Switch on.csv")
    rows = [f"{t * 1e3 + 0.7:.4f};{i * 100:.2f}" for t, i in zip(time, noisy, strict=True)]
    file.write_text("Time (ms);Clamp (mV)\n" + "\n".join(rows) + "\n", encoding="utf-8")
    done = bulkrail("capture", "add", str(record), str(file), "--instance", "mains", "--study", "inrush", "--line",
                    "230V", "--column", "Clamp=line_current", "--unit", "Clamp=A", "--scale", "Clamp=0.01",
                    "--gain", "3%", "--offset", "100mA", "--taken", "2026-11-20")  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_fit_paste_and_fit_again(record: Path, tmp_path: Path) -> None:
    stored_by_command(record)
    before = record.read_bytes()
    results, picture = tmp_path / "results", tmp_path / "pictures" / "fit.svg"
    command = ("fit", str(record), "switch-on", "--values", "RT1.resistance_25", INDUCTANCE, *AT, "--results",
               str(results), "--json", str(tmp_path / "fit.json"))  # fmt: skip
    done = bulkrail(*command, "--plot", str(picture))
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    assert record.read_bytes() == before  # never written
    assert b"<svg" in picture.read_bytes()[:400]
    found = json.loads((tmp_path / "fit.json").read_text(encoding="utf-8"))
    for one, truth in zip(found["values"], (TRUTH.resistance, TRUTH.inductance), strict=True):
        assert one["low"] <= truth <= one["high"]
        assert one["offered"]
        assert one["toml"] in done.stdout
        assert f"[{one['toml_table']}]" in done.stdout
    assert found["terms"]["lag"] == pytest.approx(-0.7e-3, abs=5e-6)
    assert "effort = 2" in found["values"][0]["toml"]  # what else the record says of it is kept
    for words in ("fitted too, the capture's own: lag", "gain", "offset", "taken as exact: line voltage", "isolated",
                  "nothing was written", "residuals:"):  # fmt: skip
        assert words in " ".join(done.stdout.split())
    assert found["simulated"] > 4

    again = bulkrail(*command)
    assert again.returncode == 0
    repeated = json.loads((tmp_path / "fit.json").read_text(encoding="utf-8"))
    assert repeated["simulated"] == 0
    assert {**repeated, "simulated": found["simulated"]} == found

    text = record.read_text(encoding="utf-8")
    for one in found["values"]:
        (old,) = [line for line in text.splitlines() if line.startswith(one["path"].rsplit(".", 1)[1] + " = ")]
        text = text.replace(old, one["toml"])
    record.write_text(text, encoding="utf-8")
    pasted = load_record(record).quantities[RESISTANCE]
    assert pasted.formula == FITTED
    assert pasted.nominal == pytest.approx(found["values"][0]["value"], rel=1e-3)
    assert "switch-on" in pasted.evidence
    assert pasted.date == "2026-11-20"
    with pytest.raises(InputError, match="line_current of mains rests on no assumed value; there is nothing to fit"):
        fit_file(record, "switch-on", results, Wanted([RESISTANCE]))


def test_an_unsaid_angle_is_fitted_and_other_inputs_move(tmp_path: Path) -> None:
    record = write_record(tmp_path, OPEN)
    take(record, TRUTH, 11)
    found, lines = fit_file(record, "seed-11", tmp_path / "results", Wanted([INDUCTANCE]), workers=2)
    others = {one.input.path.rsplit(".", 1)[1]: one for one in found.others}
    assert {"angle", "resistance_25", "capacitance"} <= set(others)
    assert others["angle"].low <= 70 <= others["angle"].high
    assert others["angle"].high - others["angle"].low < 3
    (value,) = found.values
    assert value.low <= TRUTH.inductance <= value.high
    assert found.exit_code == 0
    assert set(lines) == {INDUCTANCE}
    held, _ = fit_file(record, "seed-11", tmp_path / "results",
                       Wanted([INDUCTANCE], Where(), Stated(angle="70deg"), hold=True), workers=2)  # fmt: skip
    assert RESISTANCE in held.held
    assert held.others == ()


Refusal = tuple[Wanted, str]
ONE = [INDUCTANCE]


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (Wanted([]), "--values: 1 to 3 may be fitted, found 0; assumed are line.inductance, stages.mains.parts.RT1."),
        (Wanted([f"x{k}" for k in range(4)]), "1 to 3 may be fitted, found 4"),
        (Wanted([INDUCTANCE, INDUCTANCE]), "line.inductance stands twice"),
        (Wanted(["RT1.resistence_25"]), 'no value at "RT1.resistence_25"; allowed: line.inductance, stages.mains'),
        (Wanted(["C1.capacitance"]), "stages.mains.parts.C1.capacitance is marked; only assumed values are fitted"),
        (Wanted(["voltage_low"]), "is marked; only assumed"),
        (Wanted(["C2.esr"]), "is inferred by esr_from_loss_angle; fit what it is of: stages.spare.parts.C2.loss_angle"),
        (Wanted(["C2.loss_angle"]), "line_current of mains does not rest on stages.spare.parts.C2.loss_angle; allowed"),
        (Wanted(["C3.loss_angle"]), "C3.loss_angle is fitted already; to fit it anew put its assumed range back"),
        (Wanted(["capacitance"]), '"capacitance" may be stages.mains.parts.C1.capacitance or stages.spare'),
        (Wanted(ONE, Where(signal="bulk_voltage")), '--signal: seed-1 has no "bulk_voltage"'),
        (Wanted(ONE, Where(study="holdups")), '--study: nothing asked of mains is "holdups"'),
        (Wanted(ONE, Where(condition="claim x")), '--condition: nothing asked of inrush of mains is "claim x"'),
        (Wanted(ONE, Where(), Stated(angle="700deg")), "--angle: must be 0 to 360 deg"),
        (Wanted(ONE, Where(), Stated(frequency="0.1Hz")), "--frequency: must be 1 to 1000 Hz"),
        (Wanted(ONE, Where(), Stated(ambient="warm")), "--ambient: must be a value in degC"),
        (Wanted(ONE, Where(study="line_ripple", condition="lowest line"), Stated(angle="70deg")),
         "--angle: line_ripple of mains is not asked at one"),
        (Wanted(ONE, structure=["feed=half_wave"]), '--structure: no "feed=half_wave" in mains; allowed: feed=bridge'),
    ],
)  # fmt: skip
def test_what_cannot_be_fitted_is_one_line(tmp_path: Path, wanted: Wanted, says: str) -> None:
    """Before anything is simulated."""
    record = write_record(tmp_path, OPEN)
    with record.open("a", encoding="utf-8") as file:
        file.write(SPARE)
    take(record, TRUTH, 1)
    with pytest.raises(InputError) as caught:
        fit_file(record, "seed-1", tmp_path / "results", wanted, workers=1)
    assert says in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert not list((tmp_path / "results").glob("runs/*/*.h5"))


SPARE = """
[stages.spare]
kind = "other"
[stages.spare.parts.C2]
kind = "electrolytic_capacitor"
known = "marked"
capacitance = "47u 20%"
voltage_rating = "50"
loss_frequency = "120"
loss_angle = { value = "0.1", low = "0.05", high = "0.2", known = "assumed" }
esr = { known = "inferred", formula = "esr_from_loss_angle", of = { loss_angle = "stages.spare.parts.C2.loss_angle", \
capacitance = "stages.spare.parts.C2.capacitance", frequency = "stages.spare.parts.C2.loss_frequency" } }
[stages.spare.parts.C3]
kind = "electrolytic_capacitor"
known = "marked"
capacitance = "47u 20%"
voltage_rating = "50"
loss_angle = { value = "0.1", low = "0.09", high = "0.11", known = "inferred", formula = "fitted_to_capture", \
evidence = "capture a", date = "2026-11-01" }
"""


def test_a_record_without_assumed_values_has_nothing_to_fit(tmp_path: Path, record: Path) -> None:
    text = record.read_text(encoding="utf-8").replace('known = "assumed"', 'known = "marked"')
    record.write_text(text, encoding="utf-8")
    take(record, TRUTH, 1)
    with pytest.raises(InputError, match="line_current of mains rests on no assumed value; there is nothing to fit"):
        fit_file(record, "seed-1", tmp_path / "results", Wanted(ONE))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"record": "lantern-65"}, "CAPTURE: seed-1 was taken of lantern-65, the record is kettle-40"),
        ({"instance": "mains_2"}, 'seed-1 was taken of "mains_2", which kettle-40 does not simulate; allowed: mains'),
    ],
)
def test_a_capture_of_something_else_is_refused(
    tmp_path: Path, record: Path, changes: dict[str, str], says: str
) -> None:  # fmt: skip
    take(record, TRUTH, 1)
    captures.write(record, replace(captures.read(record, "seed-1"), **changes), replace=True)
    with pytest.raises(InputError) as caught:
        fit_file(record, "seed-1", tmp_path / "results", Wanted(ONE))
    assert says in str(caught.value)


def changed(record: Path, change: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]) -> None:
    """The first seed's capture, its time and values changed."""
    take(record, TRUTH, 1)
    was = captures.read(record, "seed-1")
    time, values = change(was.time, was.channels[0].values)
    channel = replace(was.channels[0], values=values)
    captures.write(record, replace(was, time=time, channels=(channel,), trigger=float(time[0])), replace=True)


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        (lambda t, v: (t[150:230], v[150:230]), Where(align="trigger"), " samples of seed-1 lie on the run"),
        (lambda t, v: (t, v), Where(start="9ms", stop="9.4ms"), "a fit takes 100 at least"),
        (lambda t, v: (t, -v), Where(align="trigger", at="-1.5ms"), "runs another course than the simulation"),
        (lambda t, v: (t, 0 * v), Where(), "--align: nothing moves together"),
    ],
)
def test_what_does_not_lie_on_the_run_is_refused(
    campaign: Campaign, tmp_path: Path, record: Path, change, where: Where, says: str
) -> None:  # fmt: skip
    changed(record, change)
    with pytest.raises(InputError) as caught:
        fit_file(record, "seed-1", campaign.results, Wanted(ONE, where, Stated(angle="70deg")), workers=1)
    assert says in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """Only its folder is used: what one test has simulated the next need not."""
    return Campaign(tmp_path_factory.mktemp("shared") / "results")


def test_a_start_that_cannot_be_simulated_is_one_line(
    tmp_path: Path, record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    take(record, TRUTH, 1)
    monkeypatch.setattr(case, "MOST_STEPS", 10)  # a deck that may not reach the simulator
    with pytest.raises(InputError, match=r"--values: as recorded it cannot be simulated: .*has .* of them, at most 10"):
        fit_file(record, "seed-1", tmp_path / "results", Wanted(ONE, Where(), Stated(angle="70deg")), workers=1)


def test_shorter_steps_are_another_case() -> None:
    analysis = Transient(1e-3, 1e-6)
    plain = case.Case(("rload a 0 1.0", ".tran 1e-06 0.001 0 1e-06 uic"), (), analysis, "event_final")
    with pytest.raises(DeckError, match="at most"):
        case.in_finer_steps(replace(plain, analysis=Transient(1.0, 1e-6)), 1000)
    finer = case.in_finer_steps(plain, 2)
    assert finer.analysis == Transient(1e-3, 5e-7)
    assert finer.identity("39") != plain.identity("39")
    assert [line for line in finer.lines if line.startswith(".tran")] != [plain.lines[1]]
