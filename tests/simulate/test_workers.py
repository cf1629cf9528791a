"""Workers and their pool: surroundings, limits, deaths, folders, memory over many runs."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from simulate_decks import (
    OPERATING_POINT_TRAN,
    RC,
    SAVE,
    SOURCE,
    STOP,
    TRAN,
    describe_surroundings,
    eat_memory,
    pid,
    raise_error,
    return_unpicklable,
    run_lines,
    run_reference,
)

from harness.simulate import folders, ngspice, worker
from harness.simulate.executors import LocalPool
from netlists.errors import SetupError, SimulationError

HANG = (SOURCE, *RC, SAVE, TRAN, ".control", "while 1", "end", ".endc")
CRASH = (SOURCE, *RC, SAVE, TRAN, ".model")
SLOPE = 1000.0  # bytes a run
ROOT = Path(worker.__file__).parents[2]


def waited_for(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """True as soon as a condition holds; the bound only catches hangs."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


def test_worker_surroundings() -> None:
    with LocalPool(1, 30.0, memory_limit=2**31) as pool:
        (answer,) = pool.answers([("around", describe_surroundings, ())])
        around = answer.value
        assert around["files"] == []
        assert around["home"] == around["cwd"]
        assert around["variables"] == []
        assert around["memory"] == (2**31, 2**31)
        assert around["core"] == (0, 0)
        assert Path(around["cwd"]).is_dir()
        assert psutil.pid_exists(around["pid"])
    assert waited_for(lambda: not psutil.pid_exists(around["pid"]))
    assert not Path(around["cwd"]).parent.exists()


def test_faults_mixed_among_22_good_ones_cost_no_good_one(reference: str) -> None:
    bad: list[tuple[str, Any, tuple[Any, ...]]] = [
        ("hang", run_lines, (HANG, ("b",), STOP)),
        ("crash", run_lines, (CRASH, ("b",), STOP)),
        ("memory", eat_memory, ()),
        ("error", raise_error, ()),
        ("answer", return_unpicklable, ()),
    ]
    good = [(f"good{number}", run_reference, ()) for number in range(22)]
    tasks = [task for number, one in enumerate(good) for task in (*bad[number : number + 1], one)]
    with LocalPool(2, 3.0) as pool:
        answers = {answer.key: answer for answer in pool.answers(tasks)}
    assert len(answers) == len(tasks)
    assert {answers[name].value for name, _, _ in good} == {reference}
    assert {name: answers[name].kind for name, _, _ in bad} == {
        "hang": "timed_out", "crash": "died", "memory": "failed", "error": "failed", "answer": "failed",
    }  # fmt: skip
    assert answers["error"].error == "ValueError: two lines"
    assert all(len(answer.error.splitlines()) <= 1 for answer in answers.values())


def test_a_function_that_cannot_be_sent_is_an_answer() -> None:
    with LocalPool(1, 30.0) as pool:
        answers = list(pool.answers([("lambda", lambda attempt: 1, ()), ("good", pid, ())]))
    assert [(answer.key, answer.kind) for answer in answers] == [("lambda", "failed"), ("good", "ok")]


def test_an_unfit_worker_ends_itself_and_its_guiltless_task_is_tried_in_a_new_one(reference: str) -> None:
    undefined = (SOURCE, "r1 a b {nosuch}", RC[1], SAVE, TRAN)
    with LocalPool(1, 30.0) as pool:
        (first,) = pool.answers([("pid", pid, ())])
        (fault,) = pool.answers([("fault", run_lines, (undefined, ("b",), STOP))])
        (second,) = pool.answers([("pid", pid, ())])
        assert fault.tries == 2  # its worker had run another task before
        assert first.value != second.value
        assert waited_for(lambda: not psutil.pid_exists(first.value))
        (good,) = pool.answers([("good", run_reference, ())])
    assert good.value == reference


def test_idle_workers_that_were_killed_are_replaced(reference: str) -> None:
    with LocalPool(1, 30.0) as pool:
        (first,) = pool.answers([("pid", pid, ())])
        os.kill(first.value, signal.SIGKILL)
        assert waited_for(lambda: not psutil.pid_exists(first.value))
        (good,) = pool.answers([("good", run_reference, ())])
    assert (good.value, good.tries) == (reference, 1)


def test_killed_workers_cost_no_task(reference: str) -> None:
    """SIGKILL of a worker at 20 seeded instants, once in each 20 tasks: a second try brings every answer."""
    random = np.random.default_rng(20)
    others = psutil.Process().children(recursive=True)
    kills, answers = 0, []
    with LocalPool(2, 30.0) as pool:
        for round_ in range(20):
            kill_after = int(random.integers(1, 16))
            tasks = [((round_, number), run_reference, ()) for number in range(20)]
            for number, answer in enumerate(pool.answers(tasks), start=1):
                answers.append(answer)
                if number == kill_after:
                    time.sleep(float(random.uniform(0.0, 0.004)))  # somewhere within a run of 3 ms
                    victims = own_workers(others)
                    victims[int(random.integers(len(victims)))].kill()
                    kills += 1
    assert kills == 20
    assert len({answer.key for answer in answers}) == len(answers) == 400
    assert {(answer.kind, answer.value) for answer in answers} == {("ok", reference)}


def own_workers(others: list[psutil.Process]) -> list[psutil.Process]:
    """Living workers of this process that were started after ``others`` were listed."""
    own = []
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):
            if child not in others and child.ppid() != os.getpid() and child.status() != psutil.STATUS_ZOMBIE:
                own.append(child)
    return own


def test_workers_whose_parent_is_killed_end_and_leave_no_folder(tmp_path: Path) -> None:
    """SIGKILL of the parent while one worker hangs in ngspice and one is idle."""
    script = f"""
import sys
from harness.simulate.executors import LocalPool
import simulate_decks as decks
if __name__ == "__main__":
    with LocalPool(2, 300.0) as pool:
        print([answer.value for answer in pool.answers([(1, decks.pid, ()), (2, decks.pid, ())])], flush=True)
        list(pool.answers([("hang", decks.run_lines, ({HANG!r}, ("b",), 1e-3))]))
"""
    environment = os.environ | {
        "TMPDIR": str(tmp_path), "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), str(ROOT)]),
    }  # fmt: skip
    with subprocess.Popen([sys.executable, "-c", script], env=environment, stdout=subprocess.PIPE) as parent:
        try:
            assert parent.stdout is not None
            workers = [psutil.Process(number) for number in json.loads(parent.stdout.readline())]
            assert len(set(workers)) == 2
            assert waited_for(lambda: any(one.cpu_percent(0.1) > 20 for one in workers)), "no worker hangs"
        finally:
            parent.kill()
    _, alive = psutil.wait_procs(workers, timeout=20)
    assert alive == []
    assert waited_for(lambda: list(tmp_path.glob("bulkrail-*")) == [])
    assert list(tmp_path.glob("bulkrail-*")) == []


def test_abandoned_folders_are_removed_and_those_in_use_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    abandoned = tmp_path / f"{folders.PREFIX}abandoned"
    (abandoned / "worker-1").mkdir(parents=True)
    other = tmp_path / "somebody-elses"
    other.mkdir()
    (tmp_path / f"{folders.PREFIX}link").symlink_to(other)
    first = folders.PoolFolder()
    second = folders.PoolFolder()
    assert first.path.is_dir()
    assert not abandoned.exists()
    first.remove()
    assert second.path.is_dir()
    second.remove()
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{folders.PREFIX}link", "somebody-elses"]


def test_no_temporary_folder_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "missing"))
    with pytest.raises(SetupError, match=r"no folder for workers can be made .*; set TMPDIR"):
        LocalPool(1, 1.0)


def test_a_hang_is_killed_and_the_answer_names_the_limit() -> None:
    began = time.monotonic()
    with LocalPool(1, 0.5) as pool:
        (answer,) = pool.answers([("hang", run_lines, (HANG, ("b",), STOP))])
    assert (answer.kind, answer.error) == ("timed_out", "killed after the time limit of 0.5 s")
    assert time.monotonic() - began < 60  # catches a hang only


def test_closing_the_answers_kills_what_runs() -> None:
    with LocalPool(2, 300.0) as pool:
        answers = pool.answers([("pid", pid, ()), ("hang", run_lines, (HANG, ("b",), STOP))])
        first = next(answers)
        answers.close()
        (again,) = pool.answers([("pid", pid, ())])
    assert first.key == "pid"
    assert again.ok


def slope(used: list[int]) -> float:
    """Bytes a run after the first 50, by a straight line through the rest."""
    rest = np.array(used[50:], dtype=float)
    return float(np.polyfit(np.arange(rest.size), rest, 1)[0])


def memory_over_runs(runs: int, attempt: int) -> list[int]:
    """Resident bytes of this worker after each of many runs, every tenth of them a failing one."""
    process, used = psutil.Process(), []
    for number in range(runs):
        lines = (SOURCE, *RC, *(["v2 a 0 2"] if number % 10 == 9 else []), SAVE, TRAN)
        with contextlib.suppress(SimulationError):
            run_lines(lines, ("b",), STOP, number)
        used.append(process.memory_info().rss)
    return used


def test_memory_of_a_worker_is_flat_over_300_runs() -> None:
    with LocalPool(1, 120.0) as pool:
        (answer,) = pool.answers([("memory", memory_over_runs, (300,))])
    assert answer.ok, answer.error
    assert slope(answer.value) < SLOPE


def test_start_of_the_forkserver_leaves_signals_as_they_were() -> None:
    with LocalPool(1, 30.0) as pool:
        list(pool.answers([("pid", pid, ())]))
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, set())


def test_session_survives_a_flood_of_messages() -> None:
    """More messages than the log keeps: the fault at their end is still seen, and memory is bounded."""
    simulator = ngspice._simulator()
    simulator.forget_messages()
    for _ in range(3 * ngspice.MOST_LOG_LINES):
        simulator.hear(True, "Trying gmin =   1.0000E-03 Note: One successful gmin step")
    simulator.hear(True, "run simulation(s) aborted")
    assert len(simulator.messages) == ngspice.MOST_LOG_LINES
    assert simulator.faults == [("aborted", "run simulation(s) aborted")]
    simulator.forget_messages()


@pytest.mark.parametrize(
    ("said", "kind"),
    [
        ("Warning: singular matrix:  check node f", "singular"),
        ("doAnalyses: TRAN:  Timestep too small; time = 1e-16, timestep = 1.25e-17: cause unrecorded.", "timestep"),
        ("Note: Transient op started", "no_convergence"),
        ("Error: there aren't any circuits loaded.", "no_circuit"),
        ("Error: circuit not parsed.", "no_circuit"),
        ("Warning: r1: resistance to low, set to 1 mOhm", "deck"),
        ("Note: v1: has no value, DC 0 assumed", "deck"),
        ("is not positive definite", "deck"),
        ("Error: -1 out of range for sqrt", "deck"),
        ("malloc: Internal Error: can't allocate 8000000800 bytes. ", "memory"),
        ("Panic: breakpoint in the past - HELP!", "aborted"),
        ("run simulation(s) aborted", "aborted"),
        ("Trying gmin =   1.0000E-03 Note: One successful gmin step", ""),
        ("Note: v1: dc value used for op instead of transient time=0 value.", ""),
        (".meas tran tq when v(b)=5 failed!", ""),
        ("out of interval", ""),
    ],
)
def test_what_ngspice_says_has_a_kind(said: str, kind: str) -> None:
    """Texts as libngspice 39.3 prints them on stderr."""
    assert ngspice._fault_kind(said) == kind


def test_operating_point_of_a_good_deck_is_no_fault(one_worker: LocalPool) -> None:
    lines = (SOURCE, *RC, SAVE, OPERATING_POINT_TRAN)
    (answer,) = one_worker.answers([("good", run_lines, (lines, ("b",), STOP))])
    assert answer.ok, answer.error
