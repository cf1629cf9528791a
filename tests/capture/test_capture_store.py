"""Stored captures: what goes in comes out, whole or not at all, and damage is noticed."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.contracts import Capture, Channel
from harness.store import captures, files
from netlists.errors import DamagedRunError, OptionError, SchemaError, StoreError

NUMBERS = st.floats(-1e9, 1e9, allow_subnormal=False)


def a_capture(values: tuple[float, ...] = (1.0, 2.5, -3.0), **changed: object) -> Capture:
    time = np.cumsum(np.linspace(1e-6, 2e-6, len(values)))
    channel = Channel("bulk_voltage", "V", "Bus µ", np.array(values), 0.03, 0.5)
    about = {
        "name": "bench", "record": "lantern-65", "instance": "mains_rectifier", "time": time, "channels": (channel,),
        "trigger": 1e-6, "time_base": 1e-4, "study": "inrush", "condition": "highest line", "line_voltage": None,
        "output_power": 65.0, "taken": "2026-11-20", "note": "isolated probe, µ",
        "added_utc": "2026-11-25T18:00:00+00:00",
        "source": {"file": "bench.csv", "sha256": "0" * 64, "modified_utc": "2026-11-20T10:00:00+00:00"},
        "assumed": ("column Bus: V",),
    }  # fmt: skip
    return Capture(**about | changed)  # type: ignore[arg-type]


@settings(max_examples=40)
@given(
    values=st.lists(NUMBERS, min_size=1, max_size=50), gain=st.floats(0, 0.5), note=st.text(max_size=50),
    line=st.none() | NUMBERS, names=st.lists(st.from_regex(r"[a-z][a-z_0-9]{0,12}", fullmatch=True), unique=True,
                                             min_size=1, max_size=3),
)  # fmt: skip
def test_round_trip(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], gain: float, note: str, line: float | None,
    names: list[str],
) -> None:  # fmt: skip
    channels = tuple(Channel(name, "A", note, np.array(values) * k, gain, 0.0) for k, name in enumerate(names))
    given_ = a_capture(tuple(values), channels=channels, note=note, line_voltage=line)
    record = tmp_path_factory.mktemp("round") / "supply.toml"
    captures.write(record, given_)
    found = captures.read(record, "bench")
    for field in dataclasses.fields(Capture):
        if field.name not in ("time", "channels"):
            assert getattr(found, field.name) == getattr(given_, field.name), field.name
    assert np.array_equal(found.time, given_.time)
    for one, other in zip(found.channels, channels, strict=True):
        assert dataclasses.replace(one, values=other.values) == other
        assert np.array_equal(one.values, other.values)


def test_where_it_lies_and_what_others_read(tmp_path: Path) -> None:
    path = captures.write(tmp_path / "my-supply.toml", a_capture())
    assert path == tmp_path / "my-supply.captures" / "bench.h5"
    assert captures.names(tmp_path / "my-supply.toml") == ["bench"]
    with h5py.File(path) as file:  # any reader ignores the seal behind the image
        assert list(file["channels/bulk_voltage"]) == [1.0, 2.5, -3.0]
    assert [one.name for one in path.parent.iterdir()] == ["bench.h5"]  # no leftover of the writing


def test_one_that_is_there_is_kept_unless_said(tmp_path: Path) -> None:
    record = tmp_path / "s.toml"
    captures.write(record, a_capture())
    with pytest.raises(OptionError, match=r"bench.h5 is stored already; give another --name, or --replace"):
        captures.write(record, a_capture((9.0,)))
    assert len(captures.read(record, "bench").time) == 3
    captures.write(record, a_capture((9.0,)), replace=True)
    assert len(captures.read(record, "bench").time) == 1


def test_every_flipped_bit_and_every_cut_is_noticed(tmp_path: Path) -> None:
    record = tmp_path / "s.toml"
    path = captures.write(record, a_capture())
    whole = path.read_bytes()
    places = [*range(0, len(whole), 131), len(whole) - 1]
    for place in places:
        damaged = bytearray(whole)
        damaged[place] ^= 1 << (place % 8)
        path.write_bytes(bytes(damaged))
        with pytest.raises(DamagedRunError, match=r"bench.h5: damaged, incomplete or no capture; add it again"):
            captures.read(record, "bench")
    for length in (0, 1, 100, len(whole) - 1):
        path.write_bytes(whole[:length])
        with pytest.raises(DamagedRunError):
            captures.read(record, "bench")


def test_a_newer_schema_is_not_guessed_at(tmp_path: Path) -> None:
    record = tmp_path / "s.toml"
    path = captures.write(record, a_capture())
    image = tmp_path / "image.h5"
    image.write_bytes(files.unseal(path.read_bytes(), path))
    with h5py.File(image, "r+") as file:
        file.attrs["schema_version"] = 9
    path.write_bytes(files.seal(image.read_bytes()))
    with pytest.raises(SchemaError, match="schema 9, this program knows 1"):
        captures.read(record, "bench")


def test_names_and_folders_that_cannot_be(tmp_path: Path) -> None:
    record = tmp_path / "s.toml"
    for name in ("", "../x", "a b", "A", "x" * 61, "a\nb"):
        with pytest.raises(OptionError, match="NAME: must be 1 to 60 of a-z"):
            captures.path_of(record, name)
    with pytest.raises(OptionError, match=r"no capture bench; .* holds none; bulkrail capture add makes one"):
        captures.read(record, "bench")
    captures.write(record, a_capture())
    with pytest.raises(OptionError, match="no capture bendh; allowed: bench; nearest: bench"):
        captures.read(record, "bendh")
    (tmp_path / "t.captures").write_text("mine", encoding="utf-8")
    with pytest.raises(StoreError, match=r"t.captures/bench.h5: cannot be written \(File exists\)$"):
        captures.write(tmp_path / "t.toml", a_capture())
