"""Files of instruments: header styles read by content, what a person says of columns, and files that are none."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.capture.mapping import ColumnOptions, channels_of, stated_units
from harness.capture.table import Table, stated_interval, table_of, time_of
from harness.capture.text import MOST_BYTES, read_bytes, read_rows
from harness.capture.units import UNITS, bare_unit, split_name
from harness.contracts import FloatArray
from netlists.errors import InputError, OptionError, RecordError
from netlists.probe import Probe

PROBES = {
    "bulk_voltage": Probe("bulk_voltage", "bulk", "V", "across the bulk", "voltage"),
    "line_current": Probe("line_current", "i", "A", "into the supply", "current"),
}
MILLIS = np.arange(12) * 0.5  # ms
VOLTS = 300 + 10 * np.sin(MILLIS)
AMPS = 2 * np.cos(MILLIS)


def read(text: str | bytes) -> Table:
    return table_of(read_rows(text if isinstance(text, bytes) else text.encode(), "bench.csv"))


def taken(table: Table, *columns: str, **options: object) -> tuple[FloatArray, dict[str, FloatArray], tuple[str, ...]]:
    """Time [s], signals by name and what was assumed."""
    asked = ColumnOptions(columns, gains=["3%"], **{key: value for key, value in options.items() if key in USED})  # type: ignore[arg-type]
    time, place, _ = time_of(
        table, column=options.get("time"), interval=options.get("interval"), units=stated_units(table, asked.units)  # type: ignore[arg-type]
    )  # fmt: skip
    channels, assumed = channels_of(table, asked, PROBES, place)
    return time, {one.signal: one.values for one in channels}, assumed


USED = ("units", "scales", "offsets")


def rows(delimiter: str = ",", decimal: str = ".", style: str = "{:.6f}", factor: float = 1e-3, end: str = "\n") -> str:
    """The same three columns in another dress; time in units of ``factor`` ms... in seconds where it is 1e-3."""
    lines = [
        delimiter.join(style.format(value).replace(".", decimal) for value in (t * factor, v, a))
        for t, v, a in zip(MILLIS, VOLTS, AMPS, strict=True)
    ]
    return end.join(lines) + end


STYLES = {
    "plain header": "time,voltage,current\n" + rows(),
    "units in brackets": "Time (ms),Bus [V],Line {A}\n" + rows(factor=1),
    "units behind a slash": "t / us,Bus / V,Line / A\n" + rows(factor=1e3),
    "units in a second row": "Time,Bus,Line\nms,V,A\n" + rows(factor=1),
    "units in brackets in a second row": "Time;Bus;Line\n(ms);(V);(A)\n\n" + rows(";", factor=1),
    "units alone": "ms,V,A\n" + rows(factor=1),
    "metadata before": "Bench,harbour\nSamples,12\nNote: a, b, c\n\nTime [s],Bus [V],Line [A]\n" + rows(),
    "numbers in the metadata": "1,2,3\nTime [s],Bus [V],Line [A]\n" + rows(),
    "commented header": "# taken by hand\n# time,bus,line\n" + rows(),
    "semicolon and decimal comma": "Zeit;Bus;Strom\ns;V;A\n" + rows(";", ","),
    "quoted decimal comma": "time,bus,line\n" + "".join(
        ",".join(f'"{value:.6f}"'.replace(".", ",") for value in row) + "\n"
        for row in zip(MILLIS * 1e-3, VOLTS, AMPS, strict=True)
    ),
    "tab": "time\tbus\tline\n" + rows("\t"),
    "blanks": "time   bus voltage   line\n" + rows("   "),
    "bar": "time|bus|line\n" + rows("|"),
    "scientific": "time,bus,line\n" + rows(style="{:.9e}"),
    "delimiter at the end of lines": "time;bus;line;\n" + rows(";").replace("\n", ";\n"),
    "carriage returns": "time,bus,line\r\n" + rows(end="\r\n"),
    "no header": rows(),
}  # fmt: skip


@pytest.mark.parametrize("style", STYLES)
def test_header_styles(style: str) -> None:
    time, found, _ = taken(read(STYLES[style]), "2=bulk_voltage", "3=line_current")
    assert time == pytest.approx(MILLIS * 1e-3, abs=1e-9)
    assert found["bulk_voltage"] == pytest.approx(VOLTS, abs=1e-5)
    assert found["line_current"] == pytest.approx(AMPS, abs=1e-5)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str) -> None:
    table = read(("Time (µs),Bus (V),Disc (°C)\n" + rows(factor=1e3)).encode(encoding))
    assert table.units == ("µs", "V", "°C")
    time, _, assumed = taken(table, "Bus=bulk_voltage")
    assert time == pytest.approx(MILLIS * 1e-3, abs=1e-9)
    assert assumed == ()


@pytest.mark.parametrize(
    ("line", "interval"),
    [
        ("Sample interval,2e-6", 2e-6), ("Sample Interval [us],2", 2e-6), ("interval: 2 us", 2e-6), ("dt = 2us", 2e-6),
        ("Increment,2,us", 2e-6), ("Sampling rate,500 kHz", 2e-6), ("Sample Rate,500,kS/s", 2e-6),
        ("Sampling frequency [Hz],500000", 2e-6), ("Sample interval;0,000002", 2e-6), ("# Time step: 2 (us)", 2e-6),
    ],
)  # fmt: skip
def test_sample_interval_in_the_metadata(line: str, interval: float) -> None:
    table = read(f"Bench,harbour\n{line}\nbus\n" + "\n".join(f"{v:.4f}" for v in VOLTS))
    time, found, assumed = taken(table, "bus=bulk_voltage")
    assert time == pytest.approx(np.arange(12) * interval)
    assert found["bulk_voltage"] == pytest.approx(VOLTS, abs=1e-4)
    assert assumed == ("column bus: the file states no unit, taken as V; --unit says another",)


def test_what_is_no_interval_is_not_taken_for_one() -> None:
    text = "Sample interval,fast\nInterval,0\nRecord interval,5 us\nSampling rate,3 V\nbus\n" + "1.5\n" * 9
    assert stated_interval(read(text)) is None


@pytest.mark.parametrize(
    ("unit", "factor"), [("us", 1e-6), ("ms", 1e-3), ("mV", 1e-3), ("kV", 1e3), ("mA", 1e-3), ("ns", 1e-9), ("V", 1.0)]
)
def test_scaled_units(unit: str, factor: float) -> None:
    assert UNITS[unit][1] == pytest.approx(factor, rel=1e-12)
    assert split_name(f"Bus ({unit})") == ("Bus", unit)
    assert bare_unit(f"[{unit}]") == unit


def test_a_column_by_its_name_wins_over_its_number() -> None:
    text = "time,2,1\n".replace("2", "b").replace("1", "a") + rows()
    assert read(text).index("--column", "A") == 2
    assert read(text).index("--column", "2") == 1


def test_a_probes_factor_and_unit() -> None:
    """A current probe of 100 mV/A on an input that shows mV: 10 mA a mV."""
    table = read("time,Bus (V),Probe (mV)\n" + rows())
    _, found, _ = taken(table, "Probe=line_current", "Bus=bulk_voltage", units=["Probe=A"], scales=["3=0.01", "Bus=-2"])
    assert found["line_current"] == pytest.approx(AMPS * 0.01, abs=1e-7)
    assert found["bulk_voltage"] == pytest.approx(-2 * VOLTS, abs=1e-4)


def test_uneven_steps_are_kept() -> None:
    time = np.cumsum(np.tile([1e-6, 5e-6, 2e-6], 5))
    found, _, _ = taken(read("time,bus\n" + "".join(f"{t:.9g},1.5\n" for t in time)), "bus=bulk_voltage")
    assert found == pytest.approx(time, rel=1e-8)


HOSTILE = {
    "empty": ("", "is empty"),
    "blank lines": ("\n\n  \n", "is empty"),
    "header only": ("time,bus\n", "holds no row of numbers"),
    "prose": ("dear reader\nthis is a letter\n", "holds no row of numbers"),
    "binary": (b"\x89HDF\r\n\x1a\n\0\0\0\1", "is no text but binary"),
    "binary without zeros": (bytes(range(1, 32)) * 9, "is no text but binary"),
    "broken utf-16": (b"\xff\xfe\x00\xd8\x00", "broken UTF-16"),
    "not a number": ("time,bus\n" + "0.1,1\n0.2,1\n0.3,1\n0.4,nan\n" + rows()[:0], "bench.csv:5: column 2 must be"),
    "infinite": ("0.1,1\n0.2,inf\n0.3,1\n", "bench.csv:2: column 2 must be a finite number, found \"inf\""),
    "beyond floats": ("0.1,1\n0.2,1e999\n" + "0.3,1\n" * 8, "too large to be told"),
    "overflow mark": ("time,bus\n0.1,1\n0.2,OVERFLOW\n0.3,1\n", "bench.csv:3: column 2 must be a finite number"),
    "second row not a number": ("time,bus\n0.1,1\nNaN,NaN\n0.3,1\n", "bench.csv:3: column 1 must be a finite"),
    "gap": ("time,bus,line\n1,2,3\n2,,3\n3,2,3\n", "bench.csv:3: column 2 is empty; a gap is not filled"),
    "gap at the end of a line": ("time,bus,line\n1,2,3\n2,2,\n3,2,3\n", "bench.csv:3: must have 3 numbers"),
    "one too many": ("time,bus\n1,2\n2,2,9\n3,2\n", "bench.csv:3: must have 2 numbers as most rows have, found 3"),
    "footer": ("time,bus\n" + "".join(f"{k},2\n" for k in range(9)) + "end of record\n", "bench.csv:11: column 1"),
    "few rows": ("time,bus\n1,2\n2,3\n", "at least 8 rows"),
    "time goes back": ("time,bus\n" + "".join(f"{k},2\n" for k in (1, 2, 3, 2, 4, 5, 6, 7)), "bench.csv:5: time must"),
    "time stands still": ("time,bus\n" + "".join(f"{k},2\n" for k in (1, 2, 2, 3, 4, 5, 6, 7)), "it stands still here"),
    "gap in time": ("time,bus\n" + "".join(f"{k},2\n" for k in (1, 2, 3, 4, 99, 100, 101, 102)), "bench.csv:6: a gap"),
    "decimal comma for all": ("time,bus\n" + "".join(f"{k},5,2,5\n" for k in range(9)), "a decimal comma is not told"),
    "header of another width": ("a,b,c,d\n" + "".join(f"{k},5\n" for k in range(9)), "its header names 4 columns"),
    "unknown unit": ("time,bus [dBm]\n" + "".join(f"{k},5\n" for k in range(9)), 'unit "dBm" of column "bus" is not'),
    "unit of something else": ("time,bus [A]\n" + "".join(f"{k},5\n" for k in range(9)), "does not fit bulk_voltage"),
    "time in volts": ("time [V],bus\n" + "".join(f"{k},5\n" for k in range(9)), "must be in a unit of time"),
    "two times": ("time,t,bus\n" + "".join(f"{k},{k},5\n" for k in range(9)), "has 2 columns of time"),
    "no time": ("a,b\n" + "5,5\n" * 9, "names no column of time and no sample interval"),
    "endless line": ("time,bus\n" + "1," * 60_000 + "\n", "bench.csv:2: must be at most 100000 characters"),
    "thousands": ("time,bus\n" + "".join(f"{k},\"1,000.5\"\n" for k in range(9)), "holds no row of numbers"),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_files_are_one_line(case: str) -> None:
    content, said = HOSTILE[case]
    with pytest.raises(InputError) as caught:
        taken(read(content), "2=bulk_voltage")
    assert said in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert len(str(caught.value)) < 400


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / "huge.csv"
    with file.open("wb") as hole:
        hole.truncate(MOST_BYTES + 1)
    with pytest.raises(RecordError, match=r"^huge.csv: must be at most 100 MB; cut it to the event$"):
        read_bytes(file)
    with pytest.raises(RecordError, match=r"cannot be read: No such file"):
        read_bytes(tmp_path / "nowhere.csv")
    with pytest.raises(RecordError, match=r"cannot be read: Is a directory"):
        read_bytes(tmp_path)


@pytest.mark.parametrize(
    ("columns", "options", "said"),
    [
        (["bus"], {}, "--column: must be COLUMN=SIGNAL"),
        (["buss=bulk_voltage"], {}, "nearest: bus"),
        (["9=bulk_voltage"], {}, "or a number from 1 to 3"),
        (["bus=bulk_volage"], {}, "nearest: bulk_voltage"),
        (["time=bulk_voltage"], {}, "is the column of time"),
        (["bus=bulk_voltage", "line=bulk_voltage"], {}, "bulk_voltage is given twice"),
        ([], {}, "which column is which signal, COLUMN=SIGNAL; columns: bus, line; allowed: bulk_voltage"),
        (["bus=bulk_voltage"], {"units": ["bus=mW"]}, '--unit: unknown "mW"'),
        (["bus=bulk_voltage"], {"units": ["mV"]}, "--unit: must be COLUMN=VALUE"),
        (["bus=bulk_voltage"], {"scales": ["bus=0"]}, "--scale: must not be 0"),
        (["bus=bulk_voltage"], {"scales": ["bus=ten"]}, "--scale: must be a value"),
        (["bus=bulk_voltage"], {"scales": ["bus=1", "2=3"]}, "--scale: is given twice for one column"),
        (["bus=bulk_voltage"], {"offsets": ["-1V"]}, "--offset: must be 0 or more"),
        (["bus=bulk_voltage"], {"offsets": ["1A"]}, "--offset: must be a value in volts"),
    ],
)  # fmt: skip
def test_options_that_do_not_fit(columns: list[str], options: dict[str, list[str]], said: str) -> None:
    with pytest.raises(OptionError) as caught:
        taken(read("time,bus,line\n" + rows()), *columns, **options)
    assert said in str(caught.value).replace("must be a value in V ", "must be a value in volts ")
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(("gain", "said"), [([], "--gain: say by what share"), (["60%"], "--gain: must be 0 to 50%")])
def test_the_uncertainty_must_be_said(gain: list[str], said: str) -> None:
    with pytest.raises(OptionError, match=said):
        channels_of(read("time,bus,line\n" + rows()), ColumnOptions(["bus=bulk_voltage"], gains=gain), PROBES, 0)


@given(
    values=st.lists(st.floats(-1e6, 1e6, allow_subnormal=False), min_size=8, max_size=30),
    delimiter=st.sampled_from([",", ";", "\t", "|", "  "]),
    head=st.sampled_from(["", "time{0}bus\n", "Note{0}x\n\ntime [s]{0}bus [V]\n", "time{0}bus\ns{0}V\n"]),
)
def test_every_number_comes_back_as_it_was_written(values: list[float], delimiter: str, head: str) -> None:
    text = head.format(delimiter) + "".join(f"{k}{delimiter}{value!r}\n" for k, value in enumerate(values))
    time, found, _ = taken(read(text), "2=bulk_voltage")
    assert list(found["bulk_voltage"]) == values
    assert list(time) == list(range(len(values)))


@given(st.binary(max_size=300) | st.text('0123456789.,;\t\n -eE+nai#"', max_size=200).map(str.encode))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    with contextlib.suppress(InputError):
        assert np.all(np.isfinite(read(data).rows.values))
