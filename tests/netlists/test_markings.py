"""Markings: value -> code -> among the readings for every form, published examples, ambiguities, hostile texts.

The encoders here are written from the forms' rules and share nothing with the decoder but the tables they need.
Examples of IEC 60062 and IEC 60384-14 are from memory: no text of a standard was at hand.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from netlists.marking_forms import COMPONENTS, Reading
from netlists.marking_tables import (
    ABSOLUTE_BELOW_10_PF,
    ASYMMETRIC,
    EIA96_MULTIPLIERS,
    INDUCTOR_LETTERS,
    SAFETY_CLASSES,
    SYMMETRIC,
    VOLTAGE_LETTERS,
    dated,
    impulse_voltage,
    letter_tolerance,
)
from netlists.markings import LONGEST_MARKING, MOST_MISREADINGS, decode
from netlists.preferred_values import SERIES, series_of
from netlists.quantity import QuantityError, read_marking, read_tolerance, read_value

Tolerance = tuple[float, float] | None
E24 = SERIES["E24"]
E96 = SERIES["E96"]
members = st.sampled_from(E24)
three_digits = st.sampled_from(sorted({*E24, *E96}))


# --- encoders


def letter_code(hundredths: int, exponent: int, letters: dict[int, str]) -> str:
    """4R7, R47, 47K: hundredths times 10**(exponent - 2), the letter of the power of thousand below it as its point."""
    power = max(power for power in letters if power <= exponent or power == min(letters))
    digits = str(hundredths)
    places = exponent - power + 1  # digits before the letter
    before, behind = (
        (digits[:places].ljust(places, "0"), digits[places:]) if places > 0 else ("", "0" * -places + digits)
    )
    return f"{before}{letters[power]}{behind.rstrip('0')}"


def digit_code(figures: int, zeros: int) -> str:
    return f"{figures}{zeros}"


def first(text: str) -> Reading:
    return decode(text).readings[0]


def holds(text: str, component: str, value: float, tolerance: Tolerance = None, voltage: float | None = None) -> bool:
    """Whether exactly this is among the readings that need no misread character."""
    return any(
        reading.component == component
        and reading.value is not None
        and math.isclose(reading.value, value, rel_tol=1e-12)
        and reading.tolerance == tolerance
        and reading.voltage == voltage
        for reading in decode(text).readings
        if not reading.misread
    )


# --- round trips


RESISTOR_LETTERS = {-3: "L", 0: "R", 3: "K", 6: "M"}
CAPACITOR_LETTERS = {-12: "p", -9: "n", -6: "u", -3: "m"}


def test_the_encoder_itself() -> None:
    # IEC 60062's own examples, from memory
    for figures, exponent, code in (
        (470, 0, "4R7"), (470, -1, "470L"), (470, 1, "47R"), (470, 2, "470R"), (473, 4, "47K3"), (100, 6, "1M"),
    ):  # fmt: skip
        assert letter_code(figures, exponent, RESISTOR_LETTERS) == code
    assert letter_code(470, -1, {0: "R"}) == "R47"
    assert letter_code(500, -3, {0: "R"}) == "R005"


@given(three_digits, st.integers(-3, 7), st.one_of(st.none(), st.sampled_from(sorted(SYMMETRIC))))
def test_resistor_letter_codes_come_back(figures: int, exponent: int, letter: str | None) -> None:
    code, value = letter_code(figures, exponent, RESISTOR_LETTERS), float(f"{figures}e{exponent - 2}")
    assert holds(code + (letter or ""), "resistor", value, SYMMETRIC[letter] if letter else None), code
    if code[-1].isdigit() and letter in (None, "F", "G", "J"):  # the letter inside: no other code looks so
        found = first(code + (letter or ""))
        assert (found.component, found.value) == ("resistor", value), code


@given(members, st.integers(-3, -1), st.sampled_from(["", "F", "J"]))
def test_shunts_with_leading_r_come_back_first(figures: int, exponent: int, letter: str) -> None:
    code = letter_code(figures, exponent, {0: "R"}) + letter
    found = first(code)
    assert (found.component, found.value) == ("resistor", float(f"{figures}e{exponent - 2}")), code
    assert found.tolerance == (SYMMETRIC[letter] if letter else None)


@given(members, st.integers(-11, -4), st.sampled_from(["", "J", "K", "M", "S", "Z", "Q", "T"]))
def test_capacitor_letter_codes_come_back_first(figures: int, exponent: int, letter: str) -> None:
    code = letter_code(figures, exponent, CAPACITOR_LETTERS) + letter
    tolerance = (SYMMETRIC | ASYMMETRIC)[letter] if letter else None
    value = float(f"{figures}e{exponent - 2}")
    assert holds(code, "capacitor", value, tolerance), code
    if "m" not in code:
        found = first(code)
        assert (found.component, found.value, found.tolerance) == ("capacitor", value, tolerance), code


@given(members, st.sampled_from(sorted(ABSOLUTE_BELOW_10_PF)))
def test_small_capacitors_have_absolute_tolerances(figures: int, letter: str) -> None:
    code = letter_code(figures, -12, CAPACITOR_LETTERS) + letter
    value, part = float(f"{figures}e-14"), ABSOLUTE_BELOW_10_PF[letter]
    found = [reading for reading in decode(code).readings if reading.component == "capacitor" and reading.tolerance]
    if part < value * 0.999:
        assert any(reading.tolerance == (-part / value, part / value) for reading in found), code
    else:
        assert all(reading.tolerance_text != f"±{part * 1e12:g} pF" for reading in found), code


@given(st.integers(10, 99), st.integers(0, 5))
def test_three_digit_codes_are_all_three_parts(figures: int, zeros: int) -> None:
    code = digit_code(figures, zeros)
    assert holds(code, "resistor", float(f"{figures}e{zeros}"))
    assert holds(code, "capacitor", float(f"{figures}e{zeros - 12}"))
    assert holds(code, "inductor", float(f"{figures}e{zeros - 6}"))
    if figures * 10 in E24:
        assert first(code).component == "resistor"


@given(st.sampled_from(E24), st.integers(0, 7), st.sampled_from("JKMSZQT"))
def test_three_digits_and_a_tolerance_are_a_capacitor_first(figures: int, zeros: int, letter: str) -> None:
    code = digit_code(figures // 10, zeros) + letter
    found, wanted = first(code), float(f"{figures // 10}e{zeros - 12}")
    assert holds(code, "capacitor", wanted, (SYMMETRIC | ASYMMETRIC)[letter])
    if zeros and series_of(wanted)[0] in ("E3", "E6", "E12"):
        assert (found.component, found.value) == ("capacitor", wanted), code


@given(st.sampled_from(E96), st.integers(0, 6))
def test_four_digit_codes_are_a_resistor_first(figures: int, zeros: int) -> None:
    code = digit_code(figures, zeros)
    found = first(code)
    assert (found.component, found.value) == ("resistor", float(f"{figures}e{zeros}"))
    assert holds(code, "capacitor", float(f"{figures}e{zeros - 12}"))


@given(st.integers(1, 96), st.sampled_from(sorted(EIA96_MULTIPLIERS)))
def test_eia_96_codes_come_back(place: int, letter: str) -> None:
    value = float(f"{E96[place - 1]}e{EIA96_MULTIPLIERS[letter]}")
    assert holds(f"{place:02}{letter}", "resistor", value, (-0.01, 0.01))
    if place < 10:  # a leading zero is in no other code
        found = first(f"{place:02}{letter}")
        assert (found.value, found.standard[:6]) == (value, "EIA-96")


@given(st.integers(0, 3), st.sampled_from(sorted(VOLTAGE_LETTERS)), members, st.integers(1, 6), st.sampled_from("JKM"))
def test_film_capacitors_with_voltage_code_come_back_first(
    power: int, volts: str, figures: int, zeros: int, letter: str
) -> None:
    capacitor = digit_code(figures // 10, zeros) + letter
    voltage = float(f"{VOLTAGE_LETTERS[volts]}e{power - 2}")
    value = float(f"{figures // 10}e{zeros - 12}")
    for code in (f"{power}{volts}{capacitor}", f"{power}{volts} {capacitor}"):
        assert holds(code, "capacitor", value, SYMMETRIC[letter], voltage), code
        assert first(code).component == "capacitor"
    behind = f"{capacitor}{round(voltage)}"
    if voltage >= 10 and voltage == round(voltage):
        assert holds(behind, "capacitor", value, SYMMETRIC[letter], voltage), behind


@given(members, st.integers(-3, 3), st.sampled_from(["", *sorted(INDUCTOR_LETTERS)]))
def test_inductor_codes_come_back(figures: int, exponent: int, letter: str) -> None:
    """R47, 4R7 and 101 in microhenry; first where the part is said to be an inductor."""
    value = float(f"{figures}e{exponent - 8}")
    code = letter_code(figures, exponent, {0: "R"}) if exponent < 1 else digit_code(figures // 10, exponent - 1)
    tolerance = INDUCTOR_LETTERS[letter] if letter else None
    assert holds(code + letter, "inductor", value, tolerance), code
    assert decode(code + letter, "inductor").readings[0].component == "inductor"


@given(st.floats(1e-12, 9e-3), st.sampled_from([("F", "capacitor"), ("H", "inductor")]))
def test_written_out_units_come_back(value: float, unit: tuple[str, str]) -> None:
    text = f"{float(f'{value:.2e}') * 1e6:.9g}u{unit[0]}"
    if "e" in text or len(text.split(".")[-1]) > 6:
        return
    assert holds(text, unit[1], read_value(text, unit[0])), text


@given(st.integers(0, 19), st.integers(1, 12))
def test_date_codes_come_back(year: int, month: int) -> None:
    code = "ABCDEFHJKLMNPRSTUVWX"[year] + "123456789OND"[month - 1]  # IEC 60062, from memory
    assert dated(code) == ((2010 + year, 1990 + year, 1970 + year), month)
    assert any(reading.component == "date" for reading in decode(code).readings)


@given(st.sampled_from(["470uF 450V", "470u 450V 20%", "2200u 35V 105C", "100n 400V K", "4u7 50V -20/+50%"]))
def test_what_records_read_decodes_the_same(text: str) -> None:
    read = read_marking(text)
    tolerance = read_tolerance(read["tolerance"]) if "tolerance" in read else None
    found = first(text)
    assert found.component == "capacitor"
    assert found.value == read_value(read["value"], "F")
    assert found.voltage == read_value(read["voltage"], "V")
    assert found.tolerance == tolerance


# --- published examples and the trade's


@pytest.mark.parametrize(
    ("text", "component", "value"),
    [
        # IEC 60062, examples of resistance and capacitance, from memory
        ("R10", "resistor", 0.1), ("R332", "resistor", 0.332), ("1R0", "resistor", 1.0), ("3R32", "resistor", 3.32),
        ("59R04", "resistor", 59.04), ("1K0", "resistor", 1e3), ("33K2", "resistor", 33.2e3),
        ("1M0", "resistor", 1e6), ("5L0", "resistor", 5e-3),
        ("p10", "capacitor", 0.1e-12), ("p332", "capacitor", 0.332e-12), ("1p0", "capacitor", 1e-12),
        ("33p2", "capacitor", 33.2e-12), ("1n0", "capacitor", 1e-9), ("332n", "capacitor", 332e-9),
        ("1µ0", "capacitor", 1e-6), ("µ47", "capacitor", 0.47e-6), ("u47", "capacitor", 0.47e-6),
        # EIA-96, as printed in every data sheet of chip resistors: 01C is 10.0 k, 68X is 49.9
        ("01C", "resistor", 10e3), ("68X", "resistor", 49.9), ("51A", "resistor", 332.0), ("01Y", "resistor", 1.0),
        # common practice, no source
        ("104", "resistor", 100e3), ("1002", "resistor", 10e3), ("R005", "resistor", 5e-3), ("1m0", "resistor", 1e-3),
        ("104K", "capacitor", 100e-9), ("224J", "capacitor", 220e-9), ("2A104J", "capacitor", 100e-9),
        ("104K630", "capacitor", 100e-9), ("0.1", "capacitor", 0.1e-6), (".47K 250V", "capacitor", 0.47e-6),
        ("331", "resistor", 330.0), ("6R8", "resistor", 6.8), ("229J", "capacitor", 2.2e-12),
        ("0R", "resistor", 0.0), ("0", "resistor", 0.0), ("000", "resistor", 0.0), ("4.7kΩ", "resistor", 4700.0),
        ("0.22Ω 5%", "resistor", 0.22), ("10mH", "inductor", 10e-3), ("100 16V", "capacitor", 100e-6),
        ("47 MFD 63V", "capacitor", 47e-6), ("470 uF 450 V", "capacitor", 470e-6),
        ("0.47K", "capacitor", 0.47e-6), ("220uF/25V", "capacitor", 220e-6), ("10u/16V 105 °C", "capacitor", 10e-6),
    ],
)  # fmt: skip
def test_likeliest_reading(text: str, component: str, value: float) -> None:
    found = first(text)
    assert not found.misread
    assert (found.component, found.value) == (component, pytest.approx(value, rel=1e-12))
    assert found.why
    assert found.standard


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("104", [("resistor", 1e5), ("capacitor", 1e-7), ("inductor", 0.1)]),
        ("100", [("resistor", 10.0), ("capacitor", 1e-11), ("inductor", 1e-5), ("capacitor", 1e-10),
                 ("resistor", 100.0), ("inductor", 1e-4)]),
        ("1002", [("resistor", 1e4), ("capacitor", 1e-8), ("inductor", 1e-2), ("date", None)]),
        ("R10", [("resistor", 0.1), ("inductor", 1e-7), ("capacitor", 1e-13)]),
        ("6R8", [("resistor", 6.8), ("inductor", 6.8e-6), ("capacitor", 6.8e-12)]),
        ("47", [("capacitor", 4.7e-11), ("resistor", 47.0), ("inductor", 4.7e-5)]),
        ("47R", [("resistor", 47.0), ("resistor", 3.01), ("inductor", 4.7e-5), ("capacitor", 4.7e-11)]),
        ("10K", [("resistor", 1e4), ("capacitor", 1e-11), ("inductor", 1e-5), ("resistor", 10.0)]),
        ("1m0", [("resistor", 1e-3), ("inductor", 1e-3), ("capacitor", 1e-3)]),
    ],
)  # fmt: skip
def test_ambiguous_codes_list_every_meaning(text: str, wanted: list[tuple[str, float | None]]) -> None:
    found = [(reading.component, reading.value) for reading in decode(text).readings if not reading.misread]
    assert len(found) == len(wanted)
    for (component, value), (wanted_component, wanted_value) in zip(found, wanted, strict=True):
        assert component == wanted_component
        assert value == (wanted_value if wanted_value is None else pytest.approx(wanted_value, rel=1e-12))


@pytest.mark.parametrize("kind", COMPONENTS)
@pytest.mark.parametrize("text", ["104", "100", "R10", "47", "6R8", "1m0", "331K"])
def test_kind_comes_first_and_hides_nothing(text: str, kind: str) -> None:
    plain, said = decode(text), decode(text, kind)  # type: ignore[arg-type]  # one of COMPONENTS
    assert said.readings[0].component == kind
    assert f"the part is said to be a {kind}" in said.readings[0].why
    assert {(r.component, r.value) for r in plain.readings} <= {(r.component, r.value) for r in said.readings} | {
        (r.component, r.value) for r in plain.readings if r.misread
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # EIA-198, from memory
        ("X7R", "±15 % from -55 to 125 degC"), ("X5R", "±15 % from -55 to 85 degC"),
        ("Y5V", "-82/+22 % from -30 to 85 degC"), ("Z5U", "-56/+22 % from 10 to 85 degC"),
        ("C0G", "0 ±30 ppm/K"), ("NP0", "0 ±30 ppm/K"), ("U2J", "-750 ±120 ppm/K"),
        # IEC 60384-14, from memory
        ("X1", "impulse test 4 kV"), ("X2", "impulse test 2.5 kV"), ("X3", "no impulse test"),
        ("Y1", "impulse test 8 kV"), ("Y2", "impulse test 5 kV"), ("Y4", "impulse test 2.5 kV"),
        ("2.2uF X2 275VAC", "impulse test 1.69 kV"), ("X1/Y2", "Y2: bridges basic insulation"),
        ("100nF X7R 50V", "X7R, class 2"),
    ],
)  # fmt: skip
def test_classes(text: str, said: str) -> None:
    found = first(text)
    assert found.component == "capacitor"
    assert any(said in one for one in found.says), found.says


# IEC 60062, from memory; of inductors common practice, no source
@pytest.mark.parametrize(
    ("component", "value", "letters"),
    [
        ("resistor", 1e3, "E ±0.005 %, L ±0.01 %, P ±0.02 %, W ±0.05 %, B ±0.1 %, C ±0.25 %, D ±0.5 %, F ±1 %, G ±2 %, "
                          "H ±3 %, J ±5 %, K ±10 %, M ±20 %, N ±30 %"),
        ("capacitor", 1e-9, "F ±1 %, J ±5 %, K ±10 %, M ±20 %, N ±30 %, Q -10/+30 %, S -20/+50 %, T -10/+50 %, "
                            "Z -20/+80 %"),
        ("capacitor", 5.6e-12, "B ±0.1 pF, C ±0.25 pF, D ±0.5 pF, F ±1 pF, G ±2 pF, J ±5 %"),
        ("inductor", 1e-5, "F ±1 %, G ±2 %, J ±5 %, K ±10 %, L ±15 %, M ±20 %, N ±30 %"),
    ],
)  # fmt: skip
def test_tolerance_letters(component: str, value: float, letters: str) -> None:
    for letter, text in (one.split(" ", 1) for one in letters.split(", ")):
        found = letter_tolerance(component, letter, value)
        assert found is not None
        assert found[1] == text
    for letter in "AIORUVXY" if component != "resistor" else "AIOQRSTUVXYZ":
        assert letter_tolerance(component, letter, value) is None


# EIA-96, as data sheets of chip resistors have it: place 1 is 100
@pytest.mark.parametrize(
    ("letters", "value"),
    [("Z", 0.1), ("YR", 1.0), ("XS", 10.0), ("A", 100.0), ("BH", 1e3), ("C", 1e4), ("D", 1e5), ("E", 1e6), ("F", 1e7)],
)
def test_multipliers_of_eia_96(letters: str, value: float) -> None:
    for letter in letters:
        assert first(f"01{letter}").value == value


def test_impulse_voltage_falls_with_the_root_of_capacitance() -> None:
    for name in SAFETY_CLASSES:
        small, large = impulse_voltage(name, 1e-6), impulse_voltage(name, 4e-6)
        assert (small is None) == (name in ("X3", "Y3"))
        if small is not None:
            assert large == (pytest.approx(small / 2) if name in ("X1", "X2") else small)


@pytest.mark.parametrize(
    ("code", "volts"),
    [("0J", 6.3), ("1A", 10), ("1C", 16), ("1E", 25), ("1V", 35), ("1H", 50), ("1J", 63), ("2A", 100), ("2D", 200),
     ("2E", 250), ("2G", 400), ("2W", 450), ("2J", 630), ("3A", 1000), ("3D", 2000)],
)  # fmt: skip
def test_voltage_codes(code: str, volts: float) -> None:
    """As every series of film and electrolytic capacitors has them (common practice, no source)."""
    found = first(code)
    assert (found.component, found.value, found.voltage) == ("capacitor", None, pytest.approx(volts))


def test_rated_temperatures() -> None:
    assert first("105C").says == ("up to 105 degC",)
    assert first("470uF 450V 105°C").says == ("up to 105 degC",)
    assert holds("105C", "resistor", 1e6, (-0.0025, 0.0025))


def test_what_is_usual_stands_only_where_nothing_is_marked() -> None:
    assert first("104").says == ("usually ±5 %",)
    assert first("1002").says == ("usually ±1 %",)
    for text in ("1002F", "1002 F", "1002 1%"):
        resistor = decode(text, "resistor").readings[0]
        assert (resistor.tolerance, resistor.says) == ((-0.01, 0.01), ())


@pytest.mark.parametrize(
    ("text", "plain"),
    [("4K7   5%", "4K7 5%"), ("4K7±5%", "4K7 5%"), ("4K7 +-5%", "4K7 5%"), ("4K7 +/- 5 %", "4K7 5%"),
     ("0,47 250V", "0.47 250V"), ("4,7 µF 50V", "4.7uF 50V"), ("4.7 kΩ", "4.7kΩ"), (" 104K ", "104K")],
)  # fmt: skip
def test_spellings_of_the_same(text: str, plain: str) -> None:
    assert decode(text).readings == decode(plain).readings != ()


def test_voltage_and_temperature_without_a_value() -> None:
    found = first("450V 105C")
    assert (found.value, found.voltage, found.says) == (None, 450.0, ("up to 105 degC",))


def test_332k_is_two_parts() -> None:
    """IEC 60062 has 332K for 332 kohm; on a film capacitor it is 3.3 nF, which is met far more often."""
    assert [(r.component, r.value) for r in decode("332K").readings[:2]] == [("capacitor", 3.3e-9), ("resistor", 332e3)]
    assert decode("332K", "resistor").readings[0].value == 332e3


def test_values_out_of_step_with_their_tolerance_fall_behind() -> None:
    wide, close = first("5p1K"), first("5p1J")  # 5.1 is of E24 alone, for 5 %
    assert wide.points < close.points
    assert any("closer than ±10 % needs" in reason for reason in wide.why)
    assert any("in no E series; nearest of E24 are 1.2 and 1.3" in reason for reason in first("1R234").why)


# --- misread characters


@pytest.mark.parametrize(
    ("text", "component", "value"),
    [("1O4", "resistor", 1e5), ("lOO", "resistor", 10.0), ("4B0K", "capacitor", 48e-12), ("1Z4J", "capacitor", 120e-9),
     ("S6R", "resistor", 56.0), ("104k", "capacitor", 1e-7)],
)  # fmt: skip
def test_misread_characters_are_offered_last_and_marked(text: str, component: str, value: float) -> None:
    readings = decode(text).readings
    marked = [bool(reading.misread) for reading in readings]
    assert marked == sorted(marked)
    assert sum(marked) <= MOST_MISREADINGS
    assert any(
        reading.misread and (reading.component, reading.value) == (component, pytest.approx(value))
        for reading in readings
    )


# --- what is no code


HOSTILE = [
    "", " ", "\t", "\n", "\0", "\x1b[2J", "4K7\n", "4K7\x1b[31m", "\u202e4K7", "４７", "4К7", "٤٧", "²", "1e5", "1e400",
    "-5", "+5", "..", ".", "R", "K", "%", "V", "0V", "4R7R7", "K47", "4K7 4K7", "450V 400V", "470uF 450V 400V",
    "4K7K J", "9" * 41, "9" * 1_000_000, "R" * 40, "4R7 " * 10, "[red]x[/red]", "{}", "NaN", "inf",
    "99999999999999999999V", "\ud800", "1" * 30 + "V", "150% 4K7", "hello",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_are_refused_in_one_line(text: str) -> None:
    found = decode(text)
    if text in ("R", "K", "V", "0V", "R" * 40):  # nothing says they are no code but that none is so short
        assert all(reading.value is None for reading in found.readings)
    if not found.readings:
        assert found.fault.isprintable()
        assert len(found.fault) < 300
        assert "allowed:" in found.fault
        return
    assert all(reading.misread or reading.value is None for reading in found.readings)


@given(st.text(max_size=60))
@example("0%")
@example("0 0%")
@example("1 0kV")
def test_any_text_is_decoded_or_refused(text: str) -> None:
    check_invariants(text)


@given(st.text(alphabet="0123456789.RKMGLmunpFHJZXYVBSOIl%/- +±Ω", max_size=LONGEST_MARKING))
def test_any_likely_text_is_decoded_or_refused(text: str) -> None:
    check_invariants(text)


def check_invariants(text: str) -> None:
    found = decode(text)
    assert bool(found.readings) != bool(found.fault)
    assert found.fault.isprintable()
    for reading in found.readings:
        assert reading.value is None or 0 <= reading.value < math.inf
        assert reading.tolerance is None or -1 < reading.tolerance[0] <= 0 <= reading.tolerance[1]
        assert reading.why
    for misread in (False, True):
        points = [reading.points for reading in found.readings if bool(reading.misread) is misread]
        assert points == sorted(points, reverse=True)


def test_a_tolerance_record_refuses_is_refused_here() -> None:
    with pytest.raises(QuantityError):
        read_tolerance("150%")
    assert not decode("4K7 150%").readings
