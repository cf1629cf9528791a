"""Thousands of broken records: whatever a record file holds, only expected errors come out, fit to be shown."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from record_mutations import demonstration, fault_of_error, front_half, mutated_data, mutated_text, to_toml

from netlists.errors import BulkrailError, RecordError

TEXT, RAW = demonstration()


def outcomes(folder: Path, seed: int, examples: int) -> Counter[str]:
    """How many records of a seed ended how; an unexpected error keeps the record's text in its message."""
    rng = random.Random(seed)
    path = folder / "kiln.toml"
    counted: Counter[str] = Counter()
    for number in range(examples):
        broken = mutated_text(TEXT, rng) if number % 2 else to_toml(mutated_data(RAW, rng))
        path.write_bytes(broken.encode("utf-8", "surrogatepass"))
        try:
            front_half(path)
            counted["loaded"] += 1
        except BulkrailError as error:
            fault = fault_of_error(error)
            if fault:
                pytest.fail(f"seed {seed}, example {number}: {fault}")
            counted[type(error).__name__] += 1
        except Exception as error:
            raise AssertionError(f"seed {seed}, example {number}: {error!r}\n{broken[:20_000]}") from error
    return counted


@pytest.mark.parametrize("seed", range(3))
def test_only_expected_errors_come_out_of_broken_records(tmp_path: Path, seed: int) -> None:
    """3 x 1,000 examples; both ways out are met, so neither the mutations nor the reader is a formality."""
    counted = outcomes(tmp_path, seed, 1000)
    assert counted["loaded"] > 50
    assert counted[RecordError.__name__] > 500


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(100, 200))
def test_only_expected_errors_come_out_of_many_broken_records(tmp_path: Path, seed: int) -> None:
    outcomes(tmp_path, seed, 1000)


def test_the_dumper_of_the_mutations_keeps_the_record(tmp_path: Path) -> None:
    """Without this the structure-level mutations could all fail for the same dull reason."""
    path = tmp_path / "kiln.toml"
    path.write_text(to_toml(RAW), encoding="utf-8")
    front_half(path)
