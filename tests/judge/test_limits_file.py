"""Limits files: what they may say, and the text of every refusal."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from demonstration import LANTERN

from harness.judge.limits_file import NO_LIMITS, LimitsFile, limits_beside, load_limits
from harness.judge.policies import PUBLISHED, RAIL_GUIDES, ratings_by_kind
from netlists.errors import RecordError
from netlists.quantity import Quantity
from netlists.record import SupplyRecord, load_record

KINDS = sorted(ratings_by_kind())
OVERRIDE = (
    '[overrides.disc]\nmetric = "thermistor_current_rms"\nsubject = "RT1"\nat_most = "2 A"\nreason = "warm box"\n'
)


@pytest.fixture(scope="module")
def record() -> SupplyRecord:
    return load_record(LANTERN)


def load(tmp_path: Path, record: SupplyRecord, text: str) -> LimitsFile:
    path = tmp_path / "kiln.limits.toml"
    path.write_text("schema = 1\n" + text, encoding="utf-8")
    return load_limits(path, record)


def refusals(tmp_path: Path, record: SupplyRecord, text: str) -> list[str]:
    with pytest.raises(RecordError) as caught:
        load(tmp_path, record, text)
    return str(caught.value).splitlines()


def test_the_file_beside_the_demonstration_is_whole(record: SupplyRecord) -> None:
    path = limits_beside(LANTERN)
    assert path is not None
    limits = load_limits(path, record)
    assert limits.policy("bridge_rectifier").name == "ECSS-Q-ST-30-11C"
    assert limits.policy("fuse").fractions == {"melting_i2t": 0.5}
    assert limits.policy("thermistor").name == "manufacturer"
    assert {override.name for override in limits.overrides} == {"warm_disc", "trough"}
    assert [(rail.quantity, rail.value) for rail in limits.rails] == [("ripple", 0.2), ("regulation", 0.05)]
    assert len(limits.sha256) == 64


def test_no_file_means_the_ratings_in_full(tmp_path: Path) -> None:
    assert limits_beside(tmp_path / "kiln.toml") is None
    assert NO_LIMITS.policy("fuse").fractions == {}
    assert NO_LIMITS.override("mains_rectifier", "inrush_peak", "line") is None


def test_an_empty_file_chooses_nothing(tmp_path: Path, record: SupplyRecord) -> None:
    limits = load(tmp_path, record, "")
    assert (limits.policies, limits.overrides, limits.rails) == ({}, (), ())


def test_dates_with_and_without_quotes(tmp_path: Path, record: SupplyRecord) -> None:
    for written in ('"2026-10-20"', "2026-10-20"):
        assert load(tmp_path, record, f"{OVERRIDE}date = {written}\n").overrides[0].date == "2026-10-20"
    assert load(tmp_path, record, OVERRIDE).overrides[0].date == ""


def test_a_guide_goes_by_the_voltage_of_the_rail(tmp_path: Path, record: SupplyRecord) -> None:
    text = '[rails.lamp]\nuse = "desktop guide"\n'
    (found,) = refusals(tmp_path, record, text)
    assert found.endswith(":3: rails.lamp.use: desktop guide has limits for 3.3 V, 5 V, 12 V; found 19.5 V")
    twelve = record.data.nameplate.rails["lamp"].model_copy(
        update={"voltage": Quantity(12.0, 12.0, 12.0, "V", "marked")}
    )
    nameplate = record.data.nameplate.model_copy(update={"rails": {"lamp": twelve}})
    changed = SupplyRecord(
        record.data.model_copy(update={"nameplate": nameplate}),
        "kiln.toml",
        record.lines,
        record.quantities,
        record.specs,
    )
    ripple, regulation = load(tmp_path, changed, text).rails
    assert (ripple.value, ripple.unit, ripple.mark) == (0.120, "V", "read")
    assert "10 uF across the probe" in ripple.condition
    assert (regulation.quantity, regulation.value) == ("regulation", 0.05)


def test_published_tables_name_their_sources() -> None:
    for policy in PUBLISHED.values():
        assert policy.source
        assert policy.mark in ("read", "read second-hand", "from memory")
        for kind, fractions in policy.fractions.items():
            assert set(fractions) <= set(ratings_by_kind()[kind])
            assert all(0 < fraction <= 1 for fraction in fractions.values())
    assert RAIL_GUIDES["desktop guide"].limits[12.0] == (0.120, 0.05)


def test_no_fraction_of_a_temperature() -> None:
    assert "temperature_rating" not in ratings_by_kind()["electrolytic_capacitor"]
    assert "other" not in ratings_by_kind()


# text -> the only finding, without file and line
REFUSED = {
    "[policies.bridge_rectifer]\nuse = 'manufacturer'": (
        'policies.bridge_rectifer: unknown kind of part "bridge_rectifer"; allowed: bridge_rectifier, '
        "ceramic_capacitor, choke, common_mode_choke, connector, diode"
    ),
    "[policies.fuse]\nuse = 'ECSS-Q-ST-30-11'": (
        'policies.fuse.use: unknown policy "ECSS-Q-ST-30-11"; allowed: ECSS-Q-ST-30-11C, IPC-9592, manufacturer, '
        "project; nearest: ECSS-Q-ST-30-11C"
    ),
    "[policies.fuse]\nuse = 'IPC-9592'": (
        "policies.fuse.use: IPC-9592 says nothing of fuse; allowed: ceramic_capacitor, electrolytic_capacitor"
    ),
    "[policies.fuse]\nreason = 'x'": (
        "policies.fuse.use: missing; allowed: ECSS-Q-ST-30-11C, IPC-9592, manufacturer, project"
    ),
    "[policies]\nfuse = 'project'": 'policies.fuse: must be a table, found "project"',
    "[policies.fuse]\nuse = 'project'": 'policies.fuse.fractions: missing; such as { current_rating = "75%" }',
    "[policies.fuse]\nuse = 'manufacturer'\nfractions = { melting_i2t = '50%' }": (
        'policies.fuse.fractions: belongs to use = "project", found use = "manufacturer"'
    ),
    "[policies.fuse]\nuse = 'project'\nfractions = { melting_i2 = '50%' }": (
        "policies.fuse.fractions.melting_i2: unknown field; allowed: current_rating, melting_i2t, voltage_rating; "
        "nearest: melting_i2t"
    ),
    "[policies.fuse]\nuse = 'project'\nfractions = { melting_i2t = '120%' }": (
        'policies.fuse.fractions.melting_i2t: must be > 0 and <= 100 %, found "120%"'
    ),
    "[policies.fuse]\nuse = 'project'\nfractions = { melting_i2t = '5 A' }": (
        'policies.fuse.fractions.melting_i2t: must be a value in a plain ratio such as "87%", found "5 A"'
    ),
    "policy = 1": (
        "policy: unknown field; allowed: accepted, notes, overrides, policies, rails, schema, waived_ranges, waivers; "
        "nearest: policies"
    ),
    OVERRIDE.replace("RT1", "RT2"): (
        'overrides.disc.subject: unknown subject "RT2"; allowed: BD1, C1, C12, C20, C22, CX1, D4, D5, F1, J2, L1'
    ),
    OVERRIDE.replace("current_rms", "curent_rms"): "overrides.disc.metric: unknown metric",
    OVERRIDE.replace('reason = "warm box"', ""): (
        "overrides.disc.reason: missing; say why this limit holds and not the rating"
    ),
    OVERRIDE.replace("warm box", "  "): "overrides.disc.reason: missing; say why this limit holds and not the rating",
    OVERRIDE.replace('"warm box"', "5"): "overrides.disc.reason: must be a text in quotes, found 5",
    OVERRIDE.replace("at_most", "at_least"): (
        "overrides.disc.at_least: thermistor_current_rms is worse the higher it is; give at_most, found at_least"
    ),
    OVERRIDE.replace('at_most = "2 A"', ""): "overrides.disc.at_most: missing; it must be given",
    OVERRIDE.replace("2 A", "2 V"): 'overrides.disc.at_most: must be a value in A such as "2.5", found "2 V"',
    OVERRIDE.replace("2 A", "-2 A"): 'overrides.disc.at_most: must be > 0 A, found "-2 A"',
    OVERRIDE.replace('subject = "RT1"', ""): (
        "overrides.disc.subject: missing; an override is of one metric of one subject"
    ),
    OVERRIDE + 'date = "20.10.2026"': 'overrides.disc.date: must be a date such as 2026-10-20, found "20.10.2026"',
    OVERRIDE + 'instance = "main_rectifier"': 'overrides.disc.instance: unknown instance "main_rectifier"; allowed:',
    OVERRIDE + OVERRIDE.replace("disc", "again"): (
        "overrides.again: sets the limit overrides.disc sets already; keep one"
    ),
    OVERRIDE.replace("disc", '"Warm Disc"'): "overrides.Warm Disc: must be a name that matches",
    "[overrides]\ndisc = 5": "overrides.disc: must be a table, found 5",
    "overrides = 5": "overrides: must be a table, found 5",
    "[rails.lamb]\nripple = '1'\nsource = 'x'": 'rails.lamb: unknown rail "lamb"; allowed: lamp; nearest: lamp',
    "[rails.lamp]\nripple = '50 mV'": "rails.lamp.source: missing; say where the rail's limits come from",
    "[rails.lamp]\nsource = 'x'": "rails.lamp: must have ripple, regulation or use; use: allowed: desktop guide",
    "[rails.lamp]\nuse = 'desk guide'": (
        'rails.lamp.use: unknown guide "desk guide"; allowed: desktop guide; nearest: desktop guide'
    ),
    "[rails.lamp]\nregulation = '500%'\nsource = 'x'": (
        'rails.lamp.regulation: must be > 0 and <= 100 %, found "500%"'
    ),
    "[rails.lamp]\nripple = true\nsource = 'x'": "rails.lamp.ripple: must be a number or a text",
}  # fmt: skip


@pytest.mark.parametrize("text", REFUSED, ids=[finding.split(":")[0] for finding in REFUSED.values()])
def test_a_refusal_says_where_and_what_is_allowed(text: str, tmp_path: Path, record: SupplyRecord) -> None:
    (found,) = refusals(tmp_path, record, text)
    place, _, said = found.partition(": ")
    assert said.startswith(REFUSED[text])
    assert place.startswith("kiln.limits.toml:")
    assert int(place.rsplit(":", 1)[1]) >= 2


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "kiln.limits.toml: schema: missing; write schema = 1"),
        (b"schema = 2", "kiln.limits.toml:1: schema: schema 2 is not known"),
        (b"schema = 1\nx = \xff", "kiln.limits.toml:2: must be UTF-8 text"),
        (b"schema = 1\nnotes = '\x1b[2J'", "kiln.limits.toml:2: control character U+001B is not allowed"),
        (b'schema = 1\nnotes = "\\u001b"', "kiln.limits.toml:2: notes: must be one line without control characters"),
        (b"schema = 1\nnotes = x", "kiln.limits.toml:2: not valid TOML"),
        (b"schema = 1\n#" + b"x" * 1_000_000, "kiln.limits.toml: must be at most 1000000 bytes"),
    ],
    ids=["empty", "newer", "latin-1", "control", "escaped-control", "no-toml", "large"],
)
def test_a_file_is_read_as_a_record_is(content: bytes, said: str, tmp_path: Path, record: SupplyRecord) -> None:
    path = tmp_path / "kiln.limits.toml"
    path.write_bytes(content)
    with pytest.raises(RecordError) as caught:
        load_limits(path, record)
    assert str(caught.value).startswith(said)


def test_a_missing_file(tmp_path: Path, record: SupplyRecord) -> None:
    with pytest.raises(RecordError, match="cannot be read: No such file"):
        load_limits(tmp_path / "nowhere.toml", record)


def test_several_findings_come_at_once_in_the_order_of_their_lines(tmp_path: Path, record: SupplyRecord) -> None:
    text = "[policies.fuse]\nuse = 'mine'\n[policies.valve]\nuse = 'project'\n" + OVERRIDE.replace("RT1", "RT2")
    found = refusals(tmp_path, record, text.replace('reason = "warm box"', ""))
    assert [line.split(": ")[1] for line in found] == [
        "policies.fuse.use", "policies.valve", "overrides.disc.reason", "overrides.disc.subject",
    ]  # fmt: skip


def test_the_command_ends_with_2_and_a_line_a_finding(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("schema = 1\n[policies.fuse]\nuse = 'mine'\n" + OVERRIDE.replace("RT1", "RT2"))
    command = [
        sys.executable,
        "-c",
        "from harness.cli import main; main()",
        "check",
        str(LANTERN),
        "--limits",
        "own.toml",
    ]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=120, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert lines[0].startswith('own.toml:3: policies.fuse.use: unknown policy "mine"; allowed: ')
    assert lines[1].startswith('own.toml:6: overrides.disc.subject: unknown subject "RT2"; allowed: ')
    assert len(lines) == 2
    assert not (tmp_path / "results").exists()
