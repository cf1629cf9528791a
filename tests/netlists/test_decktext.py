"""A deck is code: what the stage writes passes the check, and each known way to smuggle a command is refused."""

from __future__ import annotations

import dataclasses
import math
import random

import pytest
from record_mutations import CONTROLS

from netlists.decktext import LONGEST_LINE, RESERVED_NAMES, check_lines, deck_lines, name, node, number, positive
from netlists.errors import DeckError
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Params, Rectifier, Relay, Scenario, Thermistor, bench, probes

CONDITION = Condition(230.0, 50.0, 65.0, 25.0)
OPTIONS = "method=gear maxord=2 reltol=0.001 abstol=1e-06 vntol=0.0001 itl4=50"
PARAMS = Params(
    feed="bridge",
    rectifier=Rectifier("bridge", 0.92, 2.0, 0.03),
    bulk=(Bank("C1", 150e-6, 1.3),),
    load="constant_power",
    line_resistance=0.4,
    line_inductance=400e-6,
    converter_efficiency=0.88,
    undervoltage_cutoff=60.0,
    undervoltage_restart=85.0,
    fuse_resistance=0.035,
    choke_resistance=0.34,
    choke_inductance=140e-6,
    thermistor=Thermistor(5.0, 2800.0, 0.014, 55.0),
    relay=Relay(0.01, 0.5),
)


def lines_of(params: Params, condition: Condition = CONDITION, scenario: Scenario | None = None) -> tuple[str, ...]:
    scenario = scenario or Scenario(0.1, 1e-5, relay_closes_at=0.05)
    vectors = [probe.vector for probe in probes(params)]
    return deck_lines(bench(params, condition, scenario), OPTIONS, vectors, scenario.max_step, scenario.stop)


GOOD = lines_of(PARAMS)


def random_case(rng: random.Random) -> tuple[Params, Condition, Scenario]:
    """Any stage that can be stated: parts over the decades they are made in, every structure and event."""

    def between(low: float, high: float) -> float:
        return float(math.exp(rng.uniform(math.log(low), math.log(high))))

    def maybe(low: float, high: float) -> float | None:
        return between(low, high) if rng.random() < 0.5 else None

    thermistor = Thermistor(between(0.5, 50), between(2000, 5000), between(1e-3, 0.1), between(5, 200))
    load = rng.choice(("constant_power", "resistance"))
    cutoff = between(10, 300)
    params = Params(
        feed=rng.choice(("bridge", "half_wave")),
        rectifier=Rectifier(
            rng.choice(("bridge", "single")),
            between(0.6, 1.5),
            between(0.5, 5),
            between(1e-3, 0.1),
            parallel=rng.randint(1, 9),
        ),
        bulk=tuple(
            Bank(f"C{n}", between(1e-6, 5e-3), between(1e-3, 20), rng.randint(1, 20), rng.randint(1, 4))
            for n in range(rng.randint(1, 8))
        ),
        load=load,
        line_resistance=between(1e-3, 10),
        line_inductance=between(1e-7, 1e-2),
        load_resistance=between(10, 1e5) if load == "resistance" else None,
        converter_efficiency=rng.uniform(0.1, 1),
        undervoltage_cutoff=cutoff,
        undervoltage_restart=cutoff * between(1.01, 3),
        fuse_resistance=maybe(1e-3, 10),
        choke_resistance=maybe(1e-3, 10),
        choke_inductance=maybe(1e-7, 1e-2),
        thermistor=thermistor if rng.random() < 0.7 else None,
    )
    if params.thermistor is not None and rng.random() < 0.5:
        params = dataclasses.replace(params, relay=Relay(between(1e-3, 1), between(0.01, 2)))
    condition = Condition(
        between(80, 400),
        rng.uniform(45, 65),
        between(0.1, 3000),
        rng.uniform(-40, 80),
        rng.choice(("mains", "dc")),
        rng.uniform(0, 360),
        thermistor_start=rng.choice((None, 120.0)),
    )
    scenario = Scenario(
        between(1e-3, 10),
        between(1e-8, 1e-4),
        rng.choice((0.0, 300.0)),
        rng.choice((None, 0.0, 0.3)),
        rng.choice((None, 0.0, 0.2)),
        rng.choice((None, 0.0, 0.1)),
    )
    return params, condition, scenario


def test_every_deck_of_the_stage_passes_and_holds_its_numbers() -> None:
    rng = random.Random(6)
    for _ in range(400):
        params, condition, scenario = random_case(rng)
        lines = lines_of(params, condition, scenario)  # checks them
        assert sum(line.startswith(".tran") for line in lines) == 1
        assert all(line.isascii() and line.isprintable() and line == line.lower() for line in lines)
        assert f"rline source behind_line {params.line_resistance!r}" in lines


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (".control", "no known form of dot command"),
        (".endc", "no known form of dot command"),
        ("*#shell touch owned", "no known form of element"),
        ("* comment", "no known form of element"),
        ("", "no known form of element"),
        (".include /etc/passwd", "no known form of dot command"),
        (".inc x", "no known form of dot command"),
        (".lib x y", "no known form of dot command"),
        (".meas tran x max v(a)", "no known form of dot command"),
        (".param a=1", "no known form of dot command"),
        (".ic v(a)=1", "no known form of dot command"),
        (".title x", "no known form of dot command"),
        (".end", "no known form of dot command"),
        (".global x", "no known form of dot command"),
        (".func f(x) {x}", "no known form of dot command"),
        (".if (1)", "no known form of dot command"),
        (".save all", "reserved name, one of all, error, gnd, ground, hertz, temper, time"),
        (".save @m[id]", "no known form of dot command"),
        (".tran 1n 1", "no known form of dot command"),
        (".tran 1e-09 1.0 0 1e-09", "no known form of dot command"),
        (".options interp=1", "unknown option interp"),
        (".options reltol=0.001 savecurrents=1", "unknown option savecurrents"),
        (".options method=shell", "no known form of dot command"),
        (".options noacct", "no known form of dot command"),
        (".model m d (is=1e-14 shell=1)", "unknown model parameter shell"),
        (".model m sw (ron=1 is=1)", "unknown model parameter is"),
        (".model m npn (bf=100)", "unknown model type npn"),
        (".model m vdmos", "no known form of dot command"),
        ("source x", "no known form of element"),
        ("codemodel x.cm", "no known form of element"),
        ("write x", "no known form of element"),
        ("wrdata x v(a)", "no known form of element"),
        ("echo x > y", "no known form of element"),
        ("shell ls", "no known form of element"),
        ("r1 a 0 5", "no known form of element"),
        ("rx a", "no known form of element"),
        ("rx a 5", "no known form of element"),
        ("rx a 0", "no known form of element"),
        ("rx a 0 5 6", "no known form of element"),
        ("rx a 0 0", "must be > 0"),
        ("rx a 0 0.0", "must be > 0"),
        ("rx a 0 -5", "must be > 0"),
        ("cx a 0 0 ic=1", "must be > 0"),
        ("rx a 0 1k", "no known form of element"),
        ("rx a 0 nan", "no known form of element"),
        ("rx a 0 inf", "no known form of element"),
        ("rx a 0 1e999", "number beyond the floats"),
        ("vx a 0 1e400", "number beyond the floats"),
        ("rx a error 5", "reserved name, one of all, error, gnd, ground, hertz, temper, time"),
        ("RX a 0 5", "no known form of element"),
        ("rx A 0 5", "no known form of element"),
        ("rx µ 0 5", "no known form of element"),
        ("rx a 0 ٣", "no known form of element"),
        ("rx a  0 5", "no known form of element"),
        ("rx a\t0 5", "no known form of element"),
        ("rx a 0 {r}", "no known form of element"),
        ("rx a 0 'r'", "no known form of element"),
        ('rx a 0 "5"', "no known form of element"),
        ("rx a 0 `ls`", "no known form of element"),
        ("rx a 0 5; ls", "no known form of element"),
        ("rx a 0 5 $ x", "no known form of element"),
        ("rx a 0 $x", "no known form of element"),
        ("rx a 0 5 & ls", "no known form of element"),
        ("rx a 0 5 // x", "no known form of element"),
        ("+ 5", "no known form of element"),
        ("bx a 0 i=system(1)", "unknown function system"),
        ("bx a 0 i=v(a)*table(1,2)", "unknown function table"),
        ("bx a 0 i=v(a) + 1", "no known form of element"),
        ("bx a 0 i={v(a)}", "no known form of element"),
        ("bx a 0 x=1", "no known form of element"),
        ("ax a 0 model", "no known form of element"),
        ("mx a b c d model", "no known form of element"),
        ("dx a 0 1n4007", "no known form of element"),
    ],
)
def test_lines_that_are_refused(line: str, fault: str) -> None:
    with pytest.raises(DeckError) as caught:
        check_lines([*GOOD[:3], line])
    assert str(caught.value).endswith(f": {fault}")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("character", [*CONTROLS, *"\t +$;&`{'\"*\\é"], ids=ascii)
def test_a_character_smuggled_into_any_line_is_refused(character: str) -> None:
    """At the end of a line, and with a command behind it, for every form of line the stage writes."""
    for line in GOOD:
        for smuggled in (line + character, f"{line}{character}.include x", f"{line}{character}*#shell x"):
            if smuggled.rstrip(" ") != line:
                with pytest.raises(DeckError):
                    check_lines([smuggled])


@pytest.mark.parametrize("character", CONTROLS, ids=lambda c: f"U+{ord(c):04X}")
def test_names_with_control_characters_are_refused(character: str) -> None:
    for smuggled in (f"a{character}b", f"a{character}", f"{character}a", f"a{character}.include x"):
        for made in (name, node):
            with pytest.raises(DeckError) as caught:
                made(smuggled)
            assert str(caught.value).isprintable()


@pytest.mark.parametrize("text", ["", "A", "1a", "a b", "a.b", "a-b", "é", "a" * 64, "0", *sorted(RESERVED_NAMES)])
def test_names_the_program_could_not_have_made(text: str) -> None:
    with pytest.raises(DeckError):
        name(text)


def test_options_and_vectors_cannot_carry_commands() -> None:
    circuit = bench(PARAMS, CONDITION, Scenario(0.1, 1e-5))
    for options, vectors in (
        ("method=gear\n.include x", ["bulk"]),
        ("method=gear\n.control", ["bulk"]),
        ("method=gear", ["bulk\n.control"]),
        ("method=gear", ["bulk*#shell"]),
        ("method=gear", ["bulk .include"]),
        ("", ["bulk"]),
        ("method=gear", []),
    ):
        with pytest.raises(DeckError):
            deck_lines(circuit, options, vectors, 1e-5, 0.1)


def test_a_second_analysis_is_refused() -> None:
    with pytest.raises(DeckError, match="second analysis; the last one wins in silence"):
        check_lines([*GOOD, GOOD[-1]])


def test_a_long_line_is_refused() -> None:
    line = "rx a 0 1" + "0" * LONGEST_LINE
    with pytest.raises(DeckError, match="longer than 2000 characters"):
        check_lines([line])


@pytest.mark.parametrize("value", [0.0, 1.0, -2.5, 1e-18, 123456.789, 0.1 + 0.2, 5, 1e12])
def test_numbers_read_back_as_the_same_float(value: float) -> None:
    assert float(number(value)) == value
    check_lines([f"vx a 0 {number(value)}"])


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e13, -1e13])
def test_numbers_beyond_the_range_are_refused(value: float) -> None:
    with pytest.raises(DeckError) as caught:
        number(value)
    assert str(caught.value) == f"number for a deck must lie in [-1e+12, 1e+12], found {value}"


@pytest.mark.parametrize("value", ["5\n.control", None, 10**400], ids=["text", "none", "huge"])
def test_what_is_no_float_is_refused(value: object) -> None:
    with pytest.raises(DeckError):
        number(value)  # type: ignore[arg-type]  # the point


@pytest.mark.parametrize("value", [0.0, -1.0, 1e-19, math.nan])
def test_positive(value: float) -> None:
    with pytest.raises(DeckError):
        positive(value)
