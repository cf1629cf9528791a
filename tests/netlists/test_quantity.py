"""The reader of values: what a person writes off a part is read rightly or refused with a hint, never guessed."""

from __future__ import annotations

import math
import random
from datetime import date

import pytest

from netlists.quantity import (
    KNOWN,
    PLAUSIBLE,
    PREFIXES,
    UNITS,
    Quantity,
    QuantityError,
    QuantitySpec,
    engineering,
    read_marking,
    read_tolerance,
    read_value,
    shown,
)

# IEC 60063, the E24 series
E24 = [
    "1.0",
    "1.1",
    "1.2",
    "1.3",
    "1.5",
    "1.6",
    "1.8",
    "2.0",
    "2.2",
    "2.4",
    "2.7",
    "3.0",
    "3.3",
    "3.6",
    "3.9",
    "4.3",
    "4.7",
    "5.1",
    "5.6",
    "6.2",
    "6.8",
    "7.5",
    "8.2",
    "9.1",
]
EXPONENT = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "M": 6, "G": 9}


@pytest.mark.parametrize("prefix", PREFIXES)
@pytest.mark.parametrize("number", E24)
def test_e24_values_read_as_the_nearest_float(number: str, prefix: str) -> None:
    """Exact equality: prefix and letter form round once, as Python's own literal does."""
    expected = float(f"{number}e{EXPONENT[prefix]}")
    whole, fraction = number.split(".")
    assert read_value(f"{number}{prefix}", "ohm") == expected
    assert read_value(f"{number} {prefix}ohm", "ohm") == expected
    assert read_value(f"{whole}{prefix}{fraction}", "ohm") == expected


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4R7", "ohm", 4.7),
        ("R47", "ohm", 0.47),
        ("4K7", "ohm", 4700.0),  # IEC 60062 writes kilo as K
        ("4k7", "ohm", 4700.0),
        ("2n2", "F", 2.2e-9),
        ("n47", "F", 0.47e-9),
        ("0R1", "ohm", 0.1),
        ("1M", "ohm", 1e6),
        ("1m", "ohm", 1e-3),
        ("120\u00b5F", "F", 120e-6),  # micro sign
        ("120\u03bcF", "F", 120e-6),  # Greek mu
        ("4.7\u03a9", "ohm", 4.7),  # Greek omega
        ("4.7\u2126", "ohm", 4.7),  # ohm sign
        ("4.7kΩ", "ohm", 4700.0),
        ("12 ms", "s", 0.012),
        ("  470u  ", "F", 470e-6),
        ("87%", "1", 0.87),
        ("0.87", "1", 0.87),
        ("1e3", "V", 1000.0),
        ("1E-3", "V", 0.001),
        ("+5", "V", 5.0),
        ("-12", "V", -12.0),
        (".5", "V", 0.5),
        ("5.", "V", 5.0),
        ("2800 K", "K", 2800.0),
        ("105C", "degC", 105.0),
        ("14 mW/K", "W/K", 0.014),
        ("93A2s", "A2s", 93.0),
        (230, "V", 230.0),
        (0.35, "ohm", 0.35),
    ],
)
def test_read_value(text: str | float, unit: str, value: float) -> None:
    assert read_value(text, unit) == value


def test_mega_and_milli_are_told_apart() -> None:
    assert read_value("1M", "ohm") == 1e9 * read_value("1m", "ohm")


def test_negative_zero_is_a_zero_and_never_passes_for_a_positive_value() -> None:
    assert read_value("-0", "V") == 0
    with pytest.raises(QuantityError, match='must be > 0 ohm, found "-0"'):
        QuantitySpec("ohm", "", gt=0).parse("-0", "marked")


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("1,5", "V", 'must have a decimal point, such as "4.7" for "4,7", found "1,5"'),
        ("4,7k", "ohm", 'must have a decimal point, such as "4.7" for "4,7", found "4,7k"'),
        ("470 u F", "F", 'must be a value in F such as "470u", found "470 u F"'),
        ("٣", "V", 'must be a value in V such as "400", found "٣"'),
        ("４７", "V", 'must be a value in V such as "400", found "４７"'),
        ("3²", "V", 'must be a value in V such as "400", found "3²"'),
        ("1_000", "V", 'must be a value in V such as "400", found "1_000"'),
        ("0x10", "V", 'must be a value in V such as "400", found "0x10"'),
        ("", "F", 'must be a value in F such as "470u", found ""'),
        ("inf", "V", 'must be a value in V such as "400", found "inf"'),
        ("nan", "V", 'must be a value in V such as "400", found "nan"'),
        ("1e999", "V", 'must be finite, found "1e999"'),
        ("1e9999", "V", 'must be a value in V such as "400", found "1e9999"'),
        ("4R7", "F", 'R as decimal point means ohm, allowed: a value in F, found "4R7"'),
        ("4K7", "F", 'K as decimal point means ohm, allowed: a value in F, found "4K7"'),
        ("k47", "ohm", 'must be a value in ohm such as "4R7", found "k47"'),
        ("-R47", "ohm", 'must be a value in ohm such as "4R7", found "-R47"'),
        ("4R7R", "ohm", 'must be a value in ohm such as "4R7", found "4R7R"'),
        ("5 m", "m", None),
        ("470u\n.include x", "F", 'must be a value in F such as "470u", found "470u\\n.include x"'),
        ("1 V", "A", 'must be a value in A such as "2.5", found "1 V"'),
        ("120%", "V", 'must be a value in V such as "400", found "120%"'),
        ("1" * 121, "V", "must be a value of at most 120 characters, found 121"),
        (True, "V", 'must be a number or a text such as "400", found True'),
        (None, "V", 'must be a number or a text such as "400", found None'),
        (date(2026, 10, 14), "V", 'must be a number or a text such as "400", found the date or time 2026-10-14'),
        (math.nan, "V", "must be finite, found nan"),
        (-math.inf, "V", "must be finite, found -inf"),
        pytest.param(10**5000, "V", "must be finite, found a value too large to show", id="huge"),
    ],
)
def test_read_value_refuses(text: object, unit: str, message: str | None) -> None:
    with pytest.raises((QuantityError, KeyError)) as caught:
        read_value(text, unit)  # type: ignore[arg-type]  # wrong types are the point
    if message is not None:
        assert str(caught.value) == message


def test_any_float_reads_back_from_its_own_text() -> None:
    rng = random.Random(1)
    for _ in range(2000):
        value = rng.choice((-1, 1)) * 10 ** rng.uniform(-15, 15)
        assert read_value(repr(value), "V") == value
        assert read_value(f"{value!r} V", "V") == value


def test_random_texts_are_read_or_refused_and_nothing_else() -> None:
    rng = random.Random(2)
    letters = "0123456789.,+-eE kKMmunpGRΩµμ%/VFAHzsC°²\t\n\u2028٣"
    for _ in range(20_000):
        text = "".join(rng.choices(letters, k=rng.randrange(9)))
        unit = rng.choice(list(UNITS))
        try:
            assert math.isfinite(read_value(text, unit))
        except QuantityError as error:
            assert str(error).isprintable()  # noqa: PT017  # either way out is right


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("20%", -0.2, 0.2),
        ("+-5%", -0.05, 0.05),
        ("+/-5 %", -0.05, 0.05),
        ("±2.5%", -0.025, 0.025),
        ("-20/+50%", -0.2, 0.5),
        ("-20%/+50%", -0.2, 0.5),
        ("-10+30%", -0.1, 0.3),
        ("+80/-20%", -0.2, 0.8),
        ("F", -0.01, 0.01),  # letters: IEC 60062
        ("G", -0.02, 0.02),
        ("J", -0.05, 0.05),
        ("K", -0.1, 0.1),
        ("M", -0.2, 0.2),
    ],
)
def test_read_tolerance(text: str, low: float, high: float) -> None:
    assert read_tolerance(text) == (low, high)


@pytest.mark.parametrize(
    "text", ["", "20", "-20%", "x", "Q", "m", "٣%", "20%%", "1e1%", "-20/-50%", "20%\n"[:-1] + "a"]
)
def test_read_tolerance_refuses(text: str) -> None:
    message = 'tolerance must be such as "20%", "-20/+50%" or a letter F G J K M, found '
    with pytest.raises(QuantityError) as caught:
        read_tolerance(text)
    assert str(caught.value) == message + shown(text)


@pytest.mark.parametrize("text", ["100%", "-100/+10%", "400%"])
def test_a_tolerance_that_reaches_zero_is_refused(text: str) -> None:
    with pytest.raises(QuantityError, match="must stay above -100 %"):
        read_tolerance(text)


@pytest.mark.parametrize(
    ("text", "unit", "nominal", "low", "high"),
    [
        ("470u 20%", "F", 470e-6, 376e-6, 564e-6),
        ("470u M", "F", 470e-6, 376e-6, 564e-6),
        ("470u -20/+50%", "F", 470e-6, 376e-6, 705e-6),
        ("4R7 J", "ohm", 4.7, 4.465, 4.935),
        ("R47 K", "ohm", 0.47, 0.423, 0.517),
        ("2800 K", "K", 2800.0, 2800.0, 2800.0),  # kelvin, not 10 %
        ("30 J", "J", 30.0, 30.0, 30.0),  # joule, not 5 %
    ],
)
def test_value_with_tolerance(text: str, unit: str, nominal: float, low: float, high: float) -> None:
    found = QuantitySpec(unit, "", gt=0).parse(text, "marked")
    assert (found.nominal, found.low, found.high) == pytest.approx((nominal, low, high), rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("1 M", "ohm", 'M may be a tolerance or belong to the value: write "1 20%" or "1M", found "1 M"'),
        ("2 K", "ohm", 'K may be a tolerance or belong to the value: write "2 10%" or "2k", found "2 K"'),
        ("470u F", "F", 'F may be a tolerance or belong to the value: write "470u 1%" or "470uF", found "470u F"'),
    ],
)
def test_a_letter_that_may_mean_two_things_is_refused(text: str, unit: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        QuantitySpec(unit, "", gt=0).parse(text, "marked")
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (
            {"value": "5", "known": "guessed"},
            'known must be one of measured, marked, inferred, assumed, found "guessed"',
        ),
        ({"value": "5", "known": 5}, "known must be one of measured, marked, inferred, assumed, found 5"),
        ({"known": "marked"}, "must have a value"),
        ({"value": "5", "known": "assumed"}, "assumed values need a range: low and high, or a tolerance"),
        ({"value": "5", "known": "measured"}, "measured values need an uncertainty, or low and high"),
        ({"value": "5", "low": "4"}, "low and high go together, found one of them"),
        ({"value": "5", "low": "6", "high": "7"}, "must have low <= value <= high, found 6, 5, 7"),
        ({"value": "5", "low": "0", "high": "7"}, 'must be > 0 ohm, found "0"'),
        (
            {"value": "5", "low": "4", "high": "7", "tolerance": "5%"},
            "must have one range, found tolerance and low and high",
        ),
        ({"value": "5 20%", "tolerance": "5%"}, "must have one range, found tolerance and a tolerance in its value"),
        ({"value": "5", "tolerance": 5}, 'tolerance must be a text such as "5%", found 5'),
        (
            {"value": "5", "colour": "red"},
            'unknown key "colour" in a quantity; allowed: date, effort, evidence, formula, high, instrument, '
            "known, low, note, of, tolerance, uncertainty, value",
        ),
        ({"value": "5", "of": {}}, 'formula and of belong to known = "inferred", found known = "marked"'),
        (
            {"value": "5", "known": "inferred"},
            "inferred values are computed at load, so value, low and high may not be given",
        ),
        ({"known": "inferred"}, "inferred values need the name of a formula, found None"),
        ({"known": "inferred", "formula": "f", "of": []}, "of must map each argument of the formula to a record path"),
        (
            {"known": "inferred", "formula": "f", "tolerance": "5%", "uncertainty": "5%"},
            "must have one range, found tolerance and uncertainty",
        ),
        ({"value": "5", "note": 5}, "note must be a text, found 5"),
        ("0", 'must be > 0 ohm, found "0"'),
        ("-470u", 'must be > 0 ohm, found "-470u"'),
        ("1e-999", 'must be > 0 ohm, found "1e-999"'),
        ("1e30", 'must lie within 1e-06 and 1e+10 ohm, found "1e30"; prefix slipped?'),
        ("1e-30", 'must lie within 1e-06 and 1e+10 ohm, found "1e-30"; prefix slipped?'),
        ("5 99999999999999%", 'tolerance must stay above -100 %, found "99999999999999%"'),
        ([1], 'must be a number or a text such as "4R7", found [1]'),
    ],
)
def test_spec_refuses(raw: object, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        QuantitySpec("ohm", "", gt=0).parse(raw, "marked")
    assert str(caught.value) == message


def test_a_plain_value_must_say_how_it_is_known() -> None:
    with pytest.raises(QuantityError) as caught:
        QuantitySpec("F", "").parse("470u", None)
    assert str(caught.value) == (
        'must say how it is known, such as { value = "470u", known = "marked" }; allowed: ' + ", ".join(KNOWN)
    )


def test_a_date_in_a_quantity_is_kept_as_written() -> None:
    raw = {"value": "5", "uncertainty": "5%", "known": "measured", "date": date(2026, 10, 14)}
    assert QuantitySpec("V", "").parse(raw, None).date == "2026-10-14"


def test_is_exact() -> None:
    assert Quantity(1.0, 1.0, 1.0, "V", "marked").is_exact
    assert not Quantity(1.0, 0.9, 1.0, "V", "marked").is_exact


def test_plausible_ranges_are_of_units_there_are_and_hold_real_parts() -> None:
    assert set(PLAUSIBLE) <= set(UNITS)
    for unit, value in (("F", 1e-12), ("F", 1.0), ("ohm", 1e-3), ("ohm", 1e9), ("H", 1e-9), ("s", 1e-9), ("A", 1e4)):
        assert PLAUSIBLE[unit][0] < value < PLAUSIBLE[unit][1]


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.00012, "F", "120 uF"),
        (4700.0, "ohm", "4.7 kohm"),
        (0.0, "V", "0 V"),
        (-0.0, "V", "0 V"),
        (-0.0047, "A", "-4.7 mA"),
        (999.99, "V", "1 kV"),
        (999.9, "V", "999.9 V"),
        (1e-15, "F", "0.001 pF"),
        (1e12, "ohm", "1000 Gohm"),
        (0.92, "1", "0.92"),
        (-0.0, "1", "0"),
        (40.0, "degC", "40 degC"),
        (0.014, "W/K", "0.014 W/K"),
        (math.nan, "V", "nan V"),
        (math.inf, "1", "inf 1"),
    ],
)
def test_engineering(value: float, unit: str, text: str) -> None:
    assert engineering(value, unit) == text


def test_engineering_is_read_back_to_its_digits() -> None:
    rng = random.Random(3)
    for _ in range(3000):
        value = rng.choice((-1, 1)) * 10 ** rng.uniform(-12, 11)
        text = engineering(value, "ohm")
        # 4 digits round to half a unit of the fourth
        assert read_value(text, "ohm") == pytest.approx(value, rel=5.01e-4)
        assert 0.9 < abs(float(text.split()[0])) <= 1000


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("470u 450V 20% 105C", {"value": "470u", "voltage": "450V", "tolerance": "20%", "temperature": "105C"}),
        ("105°C 450V 470uF M", {"temperature": "105°C", "voltage": "450V", "value": "470uF", "tolerance": "M"}),
        ("2n2", {"value": "2n2"}),
        ("470 uF 25V", {"value": "470uF", "voltage": "25V"}),
        ("330n 275Vac", {"value": "330n", "voltage": "275Vac"}),
        ("470µF -20/+50%", {"value": "470µF", "tolerance": "-20/+50%"}),
    ],
)
def test_read_marking(text: str, parts: dict[str, str]) -> None:
    assert read_marking(text) == parts


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'marking must hold a capacitance such as "470u 450V 20%", found ""'),
        ("450V 20%", 'marking must hold a capacitance such as "470u 450V 20%", found "450V 20%"'),
        ("470u 100u", 'marking has two value texts, found "470u 100u"'),
        ("470u 25V 35V", 'marking has two voltage texts, found "470u 25V 35V"'),
        ("470u M 20%", 'marking has two tolerance texts, found "470u M 20%"'),
        ("104 50V", 'three-digit code: write it out, such as "100n" for 104, found "104 50V"'),
        ("470u F", 'must be a value in F such as "470u", found "F"'),
        ("470u 200%", 'tolerance must stay above -100 %, found "200%"'),
        ("470u LOW ESR", 'must be a value in F such as "470u", found "LOW"'),
    ],
)
def test_read_marking_refuses(text: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        read_marking(text)
    assert str(caught.value) == message


def test_marking_tokens_may_stand_in_any_order() -> None:
    rng = random.Random(4)
    for _ in range(200):
        tokens = {
            "value": f"{rng.choice(E24)}{rng.choice('pnu')}",
            "voltage": f"{rng.choice((16, 25, 450))}V",
            "tolerance": rng.choice(("20%", "M", "-20/+50%")),
            "temperature": rng.choice(("85C", "105degC")),
        }
        shuffled = list(tokens.values())
        rng.shuffle(shuffled)
        assert read_marking("  ".join(shuffled)) == tokens


@pytest.mark.parametrize(
    ("found", "text"),
    [
        ("a\nb", '"a\\nb"'),
        ("\u2028\x1b\u202e", '"\\u2028\\x1b\\u202e"'),
        ("a\\n", '"a\\\\n"'),
        ("4Ω", '"4Ω"'),
        pytest.param("x" * 1_000_000, '"' + "x" * 56 + "...", id="long"),
        pytest.param(10**5000, "a value too large to show", id="huge"),
        ([1, "\x00"], "[1, '\\x00']"),
    ],
)
def test_shown(found: object, text: str) -> None:
    assert shown(found) == text


@pytest.mark.parametrize("text", ["5 ohm 20%", "5 20%", "5R0 +-20%", "5 ohm -20/+20%", "5 ohm -20% +20%"])
def test_a_unit_may_stand_between_value_and_tolerance(text: str) -> None:
    quantity = QuantitySpec("ohm", "", gt=0).parse(text, "marked")
    assert (quantity.nominal, quantity.low, quantity.high) == (5.0, pytest.approx(4.0), pytest.approx(6.0))
    with pytest.raises(QuantityError, match=r"value in ohm such as .*, found \"5 uF\""):
        QuantitySpec("ohm", "", gt=0).parse("5 uF 20%", "marked")


def test_what_measuring_costs_and_leaves() -> None:
    spec = QuantitySpec("ohm", "any", gt=0)
    table = {"value": "0.8", "low": "0.4", "high": "1.6", "known": "assumed"}
    plain = spec.parse(table, None)
    assert (plain.effort, plain.instrument) == (1.0, None)
    stated = spec.parse({**table, "effort": 3, "instrument": "-2/+5%"}, None)
    assert (stated.effort, stated.instrument) == (3.0, (-0.02, 0.05))
    assert stated.with_values(1.0, 1.0, 1.0).effort == 3.0


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("effort", 0, "effort must be a number > 0, found 0"),
        ("effort", "2", 'effort must be a number > 0, found "2"'),
        ("effort", True, "effort must be a number > 0"),
        ("effort", math.inf, "effort must be a number > 0"),
        ("instrument", 0.05, 'instrument must be a text such as "5%"'),
        ("instrument", "5 ohm", "instrument: tolerance must be such as"),
    ],
)
def test_what_measuring_costs_and_leaves_is_refused_in_words(key: str, value: object, says: str) -> None:
    table = {"value": "0.8", "low": "0.4", "high": "1.6", "known": "assumed", key: value}
    with pytest.raises(QuantityError) as caught:
        QuantitySpec("ohm", "any", gt=0).parse(table, None)
    assert says in str(caught.value)
