"""Decks and worker functions of the simulator's tests. Faulty decks enter below the check that would stop them."""

from __future__ import annotations

import ctypes
import hashlib
import os
from pathlib import Path
from unittest import mock

from harness.contracts import Metric, Run, Transient
from harness.simulate import ngspice
from harness.simulate.campaign import Request
from harness.simulate.case import Case
from netlists.probe import Probe

STOP = 1e-3  # [s]
TRAN = ".tran 1e-05 0.001 0 1e-05 uic"
OPERATING_POINT_TRAN = ".tran 1e-05 0.001 0 1e-05"
SAVE = ".save b"
SOURCE = "v1 a 0 1"
RC = ("r1 a b 1000", "c1 b 0 1e-06 ic=0")
REFERENCE = (SOURCE, *RC, SAVE, TRAN)
CHECKED_REFERENCE = ("vin a 0 1.0", "rin a b 1000.0", "cin b 0 1e-06 ic=0.0", SAVE, TRAN)


def run_lines(lines: tuple[str, ...], vectors: tuple[str, ...], stop: float, attempt: int) -> str:
    """Runs lines as they are, unchecked; digest of time and vectors."""
    with ngspice.Session(lines, f"job-{attempt}") as session:
        time, signals = session.run(Transient(stop, 1e-5), vectors)
    return hashlib.sha256(b"".join(array.tobytes() for array in (time, *signals.values()))).hexdigest()


def run_reference(attempt: int) -> str:
    """Digest of the reference deck's result."""
    return run_lines(REFERENCE, ("b",), STOP, attempt)


def run_without_end(attempt: int) -> str:
    """Runs the reference deck with its ``.end`` taken away below the session, after a good run of another circuit."""
    run_reference(attempt)
    load = ngspice._Simulator.load
    with mock.patch.object(ngspice._Simulator, "load", lambda self, lines: load(self, lines[:-1])):
        return run_reference(attempt)


def run_behind_a_foreign_circuit(attempt: int) -> str:
    """Another circuit is loaded behind the session's back, so that the wrong one is simulated."""
    with ngspice.Session(REFERENCE, "wanted") as session:
        session._simulator.load([".title foreign", SOURCE, "r1 a b 2000", RC[1], SAVE, TRAN, ".end"])
        session.run(Transient(STOP, 1e-5), ("b",))
    return ""


def leave_a_setting(attempt: int) -> str:
    """A good run that leaves a global setting of ngspice changed."""
    with ngspice.Session(REFERENCE, "settings") as session:
        session.run(Transient(STOP, 1e-5), ("b",))
        session._simulator.command("set numdgt=3")
    return ""


def alter_missing_device(attempt: int) -> str:
    """An alter that ngspice reports as done though the device does not exist."""
    with ngspice.Session(REFERENCE, "alter") as session:
        session.alter("@rnosuch[resistance]", [5.0])
    return ""


def eat_memory(attempt: int) -> str:
    """More memory than a worker may have, in Python."""
    return str(len(bytearray(64 * 2**30)))


def end_in_order(attempt: int) -> str:
    """A library that calls exit(0) in the middle of a task."""
    ctypes.CDLL(None).exit(0)
    return ""


def describe_surroundings(attempt: int) -> dict[str, object]:
    """What a worker sees around it."""
    import resource

    return {
        "cwd": os.getcwd(),
        "files": os.listdir(),
        "home": os.environ["HOME"],
        "variables": [name for name in os.environ if name.startswith(("SPICE_", "NGSPICE_", "XDG_"))],
        "memory": resource.getrlimit(resource.RLIMIT_AS),
        "core": resource.getrlimit(resource.RLIMIT_CORE),
        "pid": os.getpid(),
    }


def pid(attempt: int) -> int:
    return os.getpid()


def raise_error(attempt: int) -> None:
    raise ValueError("two\nlines")


def return_unpicklable(attempt: int) -> object:
    return lambda: None


def measure_end(run: Run) -> tuple[Metric, ...]:
    """Last value of the one signal."""
    assert run.axis is not None
    return (Metric("end", "b", float(run.signals["b"].values[-1]), "V", (0.0, float(run.axis.values[-1]))),)


def measure_nothing(run: Run) -> tuple[Metric, ...]:
    return ()


def measure_twice(run: Run) -> tuple[Metric, ...]:
    """Another post-processing of the same run."""
    return tuple(Metric("twice", m.subject, 2 * m.value, m.unit, m.window) for m in measure_end(run))


def measure_in_vain(run: Run) -> tuple[Metric, ...]:
    raise ZeroDivisionError("a measure\nof anybody")


def measure_nonsense(run: Run) -> tuple[Metric, ...]:
    """Metrics that no run file can hold."""
    return (Metric("end", "b", "no number", "V", (0.0, 1.0)),)  # type: ignore[arg-type]


def case_of(lines: tuple[str, ...], stop: float = STOP, vector: str = "b") -> Case:
    """A case of lines that nobody checked."""
    return Case(lines, (Probe("b", vector, "V", "output", "voltage", "0"),), Transient(stop, 1e-5), "event_survey")


def small_case(number: int) -> Case:
    """One of many small cases that differ in one resistance."""
    return case_of(("vin a 0 1.0", f"rin a b {1000.0 + number}", *CHECKED_REFERENCE[2:]))


def request_of(case: Case, measure: object = measure_end, version: str = "1") -> Request:
    return Request(case, measure, version, {"record": "test"}, {"resistance": (1.0, "ohm")})  # type: ignore[arg-type]


def small_requests(count: int) -> list[Request]:
    return [request_of(small_case(number)) for number in range(count)]


def run_files(results: Path) -> list[str]:
    """Names of all run files, in order."""
    return sorted(path.stem for path in results.glob("runs/??/*.h5"))
