"""Records that load, and the exact text of what is said of those that do not."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import pytest
from record_mutations import CONTROLS, DEMONSTRATION, SEPARATORS, demonstration, fault_of_error

from netlists.errors import InputError, OptionError, RecordError, nearest
from netlists.instances import Feed, RectifierBulk
from netlists.record import LARGEST_FILE, SupplyRecord, load_record

TEXT, RAW = demonstration()
C1 = "stages.mains_rectifier.parts.C1"

Load = Callable[..., SupplyRecord]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """Loads the demonstration record with texts replaced, each of which must occur in it; or a whole other content."""

    def loaded(*changes: tuple[str, str], content: str | bytes | None = None) -> SupplyRecord:
        text = TEXT
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / "kiln.toml"
        whole = text if content is None else content
        path.write_bytes(whole if isinstance(whole, bytes) else whole.encode())
        return load_record(path)

    return loaded


def line_with(text: str, after: str = "") -> int:
    """Line of the demonstration record that holds a text, the first behind another text."""
    return TEXT[: TEXT.index(text, TEXT.index(after))].count("\n") + 1


def refusal(load: Load, *changes: tuple[str, str], content: str | bytes | None = None) -> list[str]:
    with pytest.raises(RecordError) as caught:
        load(*changes, content=content)
    assert isinstance(caught.value, InputError)
    assert not fault_of_error(caught.value)
    return str(caught.value).split("\n")


def test_the_demonstration_record_loads() -> None:
    record = load_record(DEMONSTRATION)
    assert record.name == "lantern-65"
    assert list(record.data.stages) == ["inlet_filter", "mains_rectifier", "main_flyback", "lamp_output"]
    assert record.data.stages["main_flyback"].parts["U1"].kind == "other"
    assert record.data.stages["mains_rectifier"].parts["C1"].history[0].was == "120u 400V"
    assert record.data.nameplate.input_bands["wide"].output_power.nominal == 65
    assert record.quantities[f"{C1}.capacitance"].known == "marked"
    assert record.quantities[f"{C1}.capacitance"].high == pytest.approx(180e-6)
    assert [path for _, path, _ in record.parts_in_role("mains_rectifier", "fuse")] == ["stages.inlet_filter.parts.F1"]


def test_alternatives_of_structure(load: Load) -> None:
    record = load(('feed = "bridge"', 'feed = ["bridge", "half_wave"]'))
    assert record.instance("mains_rectifier").choices("feed") == ("bridge", "half_wave")
    with pytest.raises(RecordError, match=r'no instance "mains"; allowed: .*; nearest: mains_rectifier'):
        record.instance("mains")


def test_two_instances_of_a_kind_and_windows_line_ends(load: Load) -> None:
    more = '\n[stages.second_output]\nkind = "output_network"\nfed_by = "main_flyback"\n'
    assert "second_output" in load(content=(TEXT + more).replace("\n", "\r\n")).data.stages


CAP = 'marking = "150u 400V 20% 105C"'

# What is changed, behind which text to look for its line (0: no line), field, message
FINDINGS = [
    (C1 + '.capacitance: must be > 0 F, found "-470u"', CAP, 'capacitance = "-470u"'),
    (C1 + '.capacitance: must be > 0 F, found "0"', CAP, 'capacitance = "0"'),
    (C1 + ".capacitance: must be > 0 F, found 0", CAP, "capacitance = 0"),
    (C1 + ".capacitance: must be finite, found nan", CAP, "capacitance = nan"),
    (C1 + ".capacitance: must be finite, found -inf", CAP, "capacitance = -inf"),
    (C1 + '.capacitance: must be a value in F such as "470u", found "inf"', CAP, 'capacitance = "inf"'),
    (C1 + '.capacitance: must lie within 1e-15 and 10 F, found "470"; prefix slipped?', CAP, 'capacitance = "470"'),
    (C1 + '.capacitance: must be a number or a text such as "470u", found True', CAP, "capacitance = true"),
    (
        C1 + '.capacitance: must be a number or a text such as "470u", found the date or time 2026-10-14',
        CAP,
        "capacitance = 2026-10-14",
    ),
    (C1 + ".capacitance: whole number of 16610 bits; TOML allows 64", CAP, "capacitance = 0x" + "2" + "0" * 4152),
    ("number of 5000 digits; no value of a part needs more than 20", CAP, "capacitance = " + "9" * 5000),
    (C1 + '.marking: must be a value in F such as "470u", found "400X"', "150u 400V", "150u 400X"),
    (C1 + ".marking: must be a text in quotes, found 5", CAP, "marking = 5"),
    (
        C1 + '.voltage_rating: is given by the marking "150u 400V 20% 105C" too; keep one of the two',
        CAP,
        'voltage_rating = "400"; '.replace("; ", "\n") + CAP,
    ),
    ("stages.inlet_filter.parts.R1.series: must be <= 100, found 101", "series = 2", "series = 101"),
    ("stages.inlet_filter.parts.R1.series: must be >= 1, found 0", "series = 2", "series = 0"),
    ("stages.inlet_filter.parts.R1.series: must be a whole number, found 2.0", "series = 2", "series = 2.0"),
    ("stages.inlet_filter.parts.R1.series: must be a whole number, found True", "series = 2", "series = true"),
    (
        "stages.inlet_filter.parts.R1.series: whole number of 100 bits; TOML allows 64",
        "series = 2",
        "series = 1" + "0" * 30,
    ),
    ("title: must be a text in quotes, found the date or time 2020-01-01", 'title = "65', "title = 2020-01-01 #"),
    ("title: must be a text in quotes, found [1]", 'title = "65', "title = [1] #"),
    ('title: must be one line without control characters, found "a\\nb"', 'title = "65', 'title = "a\\nb" #'),
    ('name: must be a name that matches ^[a-z][a-z0-9-]{0,62}$, found "Kiln 9"', '"lantern-65"', '"Kiln 9"'),
    (C1 + '.evidence: must be a list in square brackets, found "c1"', '["c1-sleeve.jpg"]', '"c1"'),
    (C1 + ".evidence.0: must be a text in quotes, found 1", '["c1-sleeve.jpg"]', "[1]"),
    (C1 + ".evidence.0.0.0.0.0.0.0.0: nested deeper than 12 levels", '["c1-sleeve.jpg"]', "[" * 20 + "]" * 20),
    (
        "schema: schema 2 is not known to this program, which reads schema 1; use a newer bulkrail",
        "schema = 1",
        "schema = 2",
    ),
    (
        "schema: schema 0 is not known to this program, which reads schema 1; write schema = 1",
        "schema = 1",
        "schema = 0",
    ),
    ('schema: must be a whole number, found "1"; write schema = 1', "schema = 1", 'schema = "1"'),
    ("schema: must be a whole number, found True; write schema = 1", "schema = 1", "schema = true"),
    (
        'stages.inlet_filter.parts.F1: missing kind; it must say what this is, such as kind = "resistor"',
        'parts.F1]\nkind = "fuse"',
        "parts.F1]",
    ),
    (
        'stages.main_flyback: unknown kind "flybakc"; allowed: boost_pfc, buck, flyback, input_filter, llc, '
        "other, output_network, rectifier_bulk, standby, two_switch_forward; nearest: flyback",
        'main_flyback]\nkind = "flyback"',
        'main_flyback]\nkind = "flybakc"',
    ),
    (
        "stages.inlet_filter.parts.F1.cold_resistence: unknown field; allowed: branch, cold_resistance, "
        "current_rating, description, evidence, history, kind, known, melting_i2t, note, output, parallel and 3 more; "
        "nearest: cold_resistance",
        "cold_resistance",
        "cold_resistence",
    ),
    (
        'stages.mains_rectifier.feed: must be one of the known, found "brdge"; ' + nearest("brdge", get_args(Feed)),
        'feed = "bridge"',
        'feed = "brdge"',
    ),
    ("stages.mains_rectifier.feed: must name each alternative once", 'feed = "bridge"', 'feed = ["bridge", "bridge"]'),
    (
        'stages.mains_rectifier.fed_by: no instance "inlet_fliter"; allowed: inlet_filter, lamp_output, '
        "main_flyback, mains_rectifier; nearest: inlet_filter",
        'fed_by = "inlet_filter"',
        'fed_by = "inlet_fliter"',
    ),
    (
        "stages.mains_rectifier.parts.RT1.parallel: must be 1 for role inrush_limiter: the model takes one "
        "piece, found 2",
        'role = "inrush_limiter"',
        'parallel = 2\nrole = "inrush_limiter"',
    ),
    (
        'stages.mains_rectifier.refers.bulk: C1 is a part of this instance; give it role = "bulk" instead',
        "refers = {",
        'refers = { bulk = "stages.mains_rectifier.parts.C1",',
    ),
    (
        "stages.mains_rectifier.undervoltage_restart: must stay above undervoltage_cutoff in all of both "
        "ranges, found 63 V <= 64 V",
        'undervoltage_restart = { value = "85", low = "80"',
        'undervoltage_restart = { value = "85", low = "63"',
    ),
    (
        "nameplate.input_bands.wide.voltage_low: must be <= voltage_high, found 300 > 240",
        'voltage_low = "100"',
        'voltage_low = "300"',
    ),
    (
        C1 + '.esr: unknown formula "esr_from_loss"; allowed: boost_choke, buck_choke, dead_time, esr_from_loss_angle, '
        "fitted_to_capture, flyback_inductance, flyback_ratio, forward_choke, forward_ratio, full_bridge_ratio and 7 "
        "more; nearest: esr_from_loss_angle",
        'formula = "esr_from_loss_angle"',
        'formula = "esr_from_loss"',
    ),
    (
        C1 + ".esr: of.frequency must be in Hz, " + C1 + ".loss_angle is in 1",
        f'frequency = "{C1}.loss_frequency"',
        f'frequency = "{C1}.loss_angle"',
    ),
    (
        "stages.main_flyback.parts.T1.ratio: inferred in a circle: stages.main_flyback.parts.T1.ratio <- "
        "stages.main_flyback.parts.T1.ratio; measure or assume one of them",
        'primary = "stages.main_flyback.parts.T1.primary_turns"',
        'primary = "stages.main_flyback.parts.T1.ratio"',
    ),
    ("nested deeper than 12 levels", "schema = 1", "a." * 100_000 + "a = 1"),
    ("not valid TOML: Invalid value, column 10", "schema = 1", "schema = "),
]


@pytest.mark.parametrize(("finding", "old", "new"), FINDINGS, ids=[f"{n}" for n in range(len(FINDINGS))])
def test_one_fault_gives_one_finding_with_its_line(load: Load, finding: str, old: str, new: str) -> None:
    changed = old if not old.startswith(("parts.F1]", "main_flyback]")) else old.split("\n")[0]
    assert refusal(load, (old, new)) == [f"kiln.toml:{line_with(changed)}: {finding}"]


def test_several_faults_are_reported_at_once(load: Load) -> None:
    found = refusal(
        load,
        ("cold_resistance =", "cold_resistence ="),
        ('voltage = "19.5"', 'voltage = "0"'),
        ('value = "2800"', 'value = "-5"'),
        ('kind = "polymer_capacitor"', 'kind = "polymer"'),
    )
    assert [line.split(": ")[1] for line in found] == [
        "nameplate.rails.lamp.voltage",
        "stages.inlet_filter.parts.F1.cold_resistence",
        "stages.mains_rectifier.parts.RT1.b_value",
        "stages.main_flyback.parts.C22",
    ]


def test_a_designator_has_one_owner(load: Load) -> None:
    assert refusal(load, (".parts.D5]", ".parts.F1]")) == [
        f"kiln.toml:{line_with('.parts.D5]')}: stages.main_flyback.parts.F1: designator F1 is owned by "
        "stages.inlet_filter already; a part has one owner, refer to it by refers = "
        '{ role = "stages.inlet_filter.parts.F1" }'
    ]
    assert "not valid TOML: Cannot declare" in refusal(load, (".parts.D5]", ".parts.Q1]"))[0]


def test_feeding_in_a_circle(load: Load) -> None:
    found = refusal(load, ('fed_by = "inlet_filter"', 'fed_by = "main_flyback"'))
    assert found == [
        f"kiln.toml:{line_with('fed_by')}: stages.mains_rectifier.fed_by: feeds itself: "
        "mains_rectifier <- main_flyback <- mains_rectifier",
        f"kiln.toml:{line_with('fed_by', '[stages.main_flyback]')}: stages.main_flyback.fed_by: feeds itself: "
        "main_flyback <- mains_rectifier <- main_flyback",
    ]


def test_roles(load: Load) -> None:
    line_of_role = line_with('role = "bulk"')
    assert refusal(load, ('role = "bulk"', 'role = "bulc"')) == [
        f"kiln.toml:{line_with('[stages.mains_rectifier]')}: stages.mains_rectifier: needs 1 to 8 parts with role bulk "
        "(bulk capacitors), found none",
        f'kiln.toml:{line_of_role}: {C1}.role: unknown role "bulc"; {nearest("bulc", RectifierBulk.ROLES)}',
    ]
    assert refusal(load, ('parts.F1", line', 'parts.R1", line')) == [
        f"kiln.toml:{line_with('parts.R1]') + 1}: stages.inlet_filter.parts.R1.kind: "
        "role fuse takes fuse, found resistor"
    ]


def test_a_missing_value_says_how_to_go_on(load: Load) -> None:
    (found,) = refusal(load, ('forward_test_current = "2"', ""))
    assert found.endswith(
        ".parts.BD1.forward_test_current: missing; simulating mains_rectifier needs forward_test_current: give it, "
        'or a range such as { value = "…", low = "…", high = "…", known = "assumed" }'
    )


def test_a_relay_needs_something_to_bypass(load: Load) -> None:
    relay = (
        '[stages.mains_rectifier.parts.K1]\nkind = "relay"\nrole = "bypass_relay"\nknown = "marked"\n'
        'contact_resistance = "10m"\nclosing_delay = "1"\n[stages.main_flyback]'
    )
    assert load(("[stages.main_flyback]", relay)).parts_in_role("mains_rectifier", "bypass_relay")
    (found,) = refusal(load, ("[stages.main_flyback]", relay), ('role = "inrush_limiter"', ""))
    assert found.endswith("stages.mains_rectifier: a bypass_relay needs an inrush_limiter to bypass")


@pytest.mark.parametrize("character", [c for c in CONTROLS if c != "\n"], ids=lambda c: f"U+{ord(c):04X}")
def test_control_characters_in_the_file(load: Load, character: str) -> None:
    line = line_with("title")
    (found,) = refusal(load, ("title", f"# {character}.include x\ntitle"))
    assert found == f"kiln.toml:{line}: control character U+{ord(character):04X} is not allowed"


@pytest.mark.parametrize("character", [*CONTROLS, "\t"], ids=lambda c: f"U+{ord(c):04X}")
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('title = "65 W', 'title = "{0}'),
        ('value = "5 20%"', 'value = "{0}5 20%"'),
        ('description = "optocoupler"', 'description = "x{0}.include y"'),
        ("[stages.lamp_output]", '[stages."lamp{0}output"]'),
        (".parts.J2]", '.parts."J2{0}"]'),
        ('"c1-sleeve.jpg"', '"c1{0}"'),
        ('note = "with a multimeter', 'note = "{0}*#shell x'),
    ],
)
def test_control_characters_by_escape(load: Load, old: str, new: str, character: str) -> None:
    if character in "\n\t" and old.startswith("note"):
        pytest.skip("a note may have several lines")
    assert len(refusal(load, (old, new.format(f"\\u{ord(character):04x}")))) == 1


def test_every_separator_of_splitlines_is_covered() -> None:
    known = {chr(code) for code in range(0x110000) if len(f"a{chr(code)}b".splitlines()) > 1}
    assert known == set(SEPARATORS)


@pytest.mark.parametrize(
    ("content", "finding"),
    [
        (b"", "kiln.toml: schema: missing; write schema = 1 at the top, the schema this program reads"),
        (b"\xef\xbb\xbf" + TEXT.encode(), "kiln.toml:1: starts with a byte order mark; save it as UTF-8 without one"),
        (TEXT.encode("utf-16"), "kiln.toml:1: must be UTF-8 text"),
        (b"schema = 1\nname = '\xff'", "kiln.toml:2: must be UTF-8 text"),
        (b"#" * (LARGEST_FILE + 1), "kiln.toml: must be at most 1000000 bytes"),
        (b"a = " + b"[" * 100_000, "kiln.toml: nested deeper than 12 levels"),
        (b"a = " + b"{a=" * 100_000, "kiln.toml: nested deeper than 12 levels"),
        (b"[" + b"a." * 100_000 + b"a]", "kiln.toml:1: nested deeper than 12 levels"),
        (b"a = {" + b'"a" . ' * 100_000 + b"a = 1}", "kiln.toml:1: nested deeper than 12 levels"),
    ],
    ids=["empty", "bom", "utf16", "latin1", "large", "arrays", "inline", "header", "dotted"],
)
def test_files_that_are_no_record(load: Load, content: bytes, finding: str) -> None:
    assert refusal(load, content=content) == [finding]


def test_missing_file_folder_fifo_and_endless_file(tmp_path: Path) -> None:
    fifo = tmp_path / "fifo.toml"
    os.mkfifo(fifo)  # opening it would wait for a writer for ever
    cases = {
        tmp_path / "gone.toml": f"{tmp_path / 'gone.toml'}: cannot be read: No such file or directory",
        tmp_path: f"{tmp_path.name}: must be a regular file",
        fifo: "fifo.toml: must be a regular file",
        Path("/dev/zero"): "zero: must be a regular file",
        Path("a\0b"): "a\\x00b: cannot be read: no possible name of a file",
        tmp_path / ("x" * 300): None,
    }
    for path, text in cases.items():
        with pytest.raises(RecordError) as caught:
            load_record(path)
        assert not fault_of_error(caught.value)
        # a long path is cut to leave room for what is said of it
        assert text is None or str(caught.value).split(": ")[-1] == text.split(": ")[-1]


def test_a_file_name_with_a_line_break_stays_on_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a\nb\u2028c.toml"
    path.write_text("x = ")
    with pytest.raises(RecordError) as caught:
        load_record(path)
    assert str(caught.value) == "a\\nb\\u2028c.toml:1: not valid TOML: Invalid value (at end of document)"


def test_many_faults_are_cut_and_take_no_time(load: Load) -> None:
    assert len(refusal(load, content=TEXT + "\n[line2]\n" + "\n".join(f"x{n} = 1" for n in range(20_000)))) <= 50
    stages = "\n".join(f'[stages.s{n}]\nkind = "buck"\nfed_by = "s{n + 1}"' for n in range(20_000))
    assert refusal(load, content=TEXT + stages)[0].endswith("stages: must have <= 100 entries, found 20004")


def test_inference_of_inferences_has_an_end(load: Load) -> None:
    """A chain that names its predecessor twice would double the work at each of its links."""
    parts = "".join(
        f'\n[stages.main_flyback.parts.TX{n}]\nkind = "transformer"\nknown = "marked"\nprimary_turns = "36"\n'
        'ratio = { known = "inferred", formula = "turns_ratio", '
        f'of = {{ primary = "{source}", secondary = "{source}" }} }}\n'
        for n in range(40)
        for source in [f"stages.main_flyback.parts.{f'TX{n - 1}.ratio' if n else 'TX0.primary_turns'}"]
    )
    assert refusal(load, content=TEXT + parts)[0].endswith(
        "inferred through more than 10 others; give a value of its own"
    )


def test_wrong_types_everywhere(load: Load) -> None:
    """Each table and each value of the record replaced by each TOML type: one or more findings, or it loads."""
    values = ("1979-05-27", "true", "[]", "[[1]]", "{ a = 1 }", "1", "nan", '""')
    keys = [line.split(" = ")[0] for line in TEXT.split("\n") if " = " in line and line[0].isalpha()]
    for key in sorted(set(keys)):
        start = TEXT.index(f"\n{key} = ") + 1
        end = TEXT.index("\n", start)
        if key == "notes":
            end = TEXT.index('"""', start + 12) + 3
        for value in values:
            try:
                load(content=f"{TEXT[:start]}{key} = {value}{TEXT[end:]}")
            except RecordError as error:
                assert not fault_of_error(error), (key, value)  # noqa: PT017  # loading is right too


def test_tables_of_wrong_types(load: Load) -> None:
    assert refusal(load, ("[claims.inrush]", "[[claims.inrush]]"))[0].startswith(
        f"kiln.toml:{line_with('[claims.inrush]')}: claims.inrush: must be a table, found [{{"
    )
    assert refusal(load, (f"[[{C1}.history]]", f"[{C1}.history]"))[0].startswith(
        f"kiln.toml:{line_with(f'[[{C1}.history]]')}: {C1}.history: must be a list in square brackets, found "
    )


def test_dates_without_quotes_are_kept_as_written(load: Load) -> None:
    record = load(('date = "2026-10-14"', "date = 2026-10-14"), ('date = "2026-10-13"', "date = 2026-10-13"))
    assert record.data.measurements["hold_up_115"].date == "2026-10-14"
    assert record.data.stages["mains_rectifier"].parts["C1"].history[0].date == "2026-10-13"


def test_nearest_lists_the_known_and_stays_short() -> None:
    assert nearest("bridg", ["half_wave", "bridge"]) == "allowed: bridge, half_wave; nearest: bridge"
    assert nearest("x", []) == "allowed: nothing"
    assert len(nearest("x" * 10_000, ["y" * 60 + str(n) for n in range(1000)])) < 200


def test_option_error_is_an_input_error() -> None:
    assert issubclass(OptionError, InputError)
