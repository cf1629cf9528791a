"""The only user of PySpice's simulator: one case at a time in this process, with every check of its result.

A process holds one libngspice. A simulator that can no longer be trusted raises SimulationError with ``unfit``; the
process must then end. Nothing here looks at decks: what may reach the simulator is decided in ``netlists.decktext``.
"""

from __future__ import annotations

import ctypes.util
import os
import re
from collections.abc import Sequence
from types import TracebackType
from typing import Any, Self

import numpy as np
from PySpice.Spice.NgSpice.Shared import NgSpiceShared, ffi
from PySpice.Spice.NgSpice.SimulationType import SIMULATION_TYPE

from harness.contracts import FloatArray, Transient
from netlists.decktext import transient
from netlists.errors import SetupError, SimulationError

# A floating node was seen 'solved' at 1e9 and 5e11 V without a word; no signal of a mains supply comes near this.
LARGEST_VALUE = 1e8
END_TIME_TOLERANCE = 1e-9  # of the stop time, relative
MOST_LOG_LINES = 400
MOST_CIRCUITS = 50

# At load a good deck of ours leaves stderr empty; these alone are allowed there.
_HARMLESS = re.compile(r"(note:|can't find init file|\s*$)", re.I)
# Messages on stderr that make a run wrong or suspect, also where it reached its end; the first that fits names it.
# Not among them, because the result is right: 'Note: ...', 'Trying gmin = ...', a failed .meas ('out of interval').
_FAULTS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (kind, re.compile(pattern, re.I))
    for kind, pattern in (
        ("memory", r"can't allocate|out of memory"),
        ("singular", r"singular matrix"),
        ("timestep", r"timestep too small"),
        ("no_convergence", r"transient op|no convergence|iteration limit|(gmin|source) stepping failed"),
        ("no_circuit", r"aren't any circuits|circuit not parsed|no circuit loaded|not started"),
        ("deck", r"resistance to low|has no value|not positive definite|out of range|no such|unknown|undefined|"
                 r"could not find|can't find|non-existent|ignored"),
        ("aborted", r"aborted|doanalyses|fatal|panic|^error|impossible|interrupted|cannot recover"),
    )
)  # fmt: skip
# On stdout: a static flag of the library that no command clears; every later run would be resampled in silence.
_STICKY = re.compile(r"interpolated raw file data", re.I)
# Settings the library itself changes between runs; all others must be found as they were.
_MOVING_SETTINGS = re.compile(r"\*|sim_status\b")
_ALTERABLE = re.compile(r"@[a-z][a-z0-9_.]*\[(ic|pulse|dc|resistance|capacitance|inductance)\]")


def library_path() -> str:
    """Path or name of libngspice; SetupError with the remedy where there is none."""
    found = os.environ.get("NGSPICE_LIBRARY_PATH") or ctypes.util.find_library("ngspice")
    if not found:
        raise SetupError("libngspice is not installed: run 'apt-get install libngspice0' (Debian) and try again")
    return found


class _Simulator(NgSpiceShared):  # type: ignore[misc]  # PySpice carries no types
    """libngspice with callbacks of our own: PySpice's turn harmless notes into errors and swallow real ones."""

    def __init__(self, **options: Any) -> None:
        self.messages: list[tuple[bool, str]] = []
        self.faults: list[tuple[str, str]] = []
        self.fit = True
        self.title = ""
        self.plots_begun = 0
        super().__init__(**options)

    @staticmethod
    def _send_char(message_c: Any, ngspice_id: int, user_data: Any) -> int:
        self = ffi.from_handle(user_data)
        text = ffi.string(message_c).decode("utf8", "replace")
        stream, _, content = text.partition(" ")
        self.hear(stream == "stderr", content)
        return 0

    @staticmethod
    def _send_stat(message: Any, ngspice_id: int, user_data: Any) -> int:
        return 0

    @staticmethod
    def _exit(status: int, immediate: bool, quit_exit: bool, ngspice_id: int, user_data: Any) -> int:
        ffi.from_handle(user_data).fit = False
        return status

    @staticmethod
    def _send_init_data(data: Any, ngspice_id: int, user_data: Any) -> int:
        """Called at the start of every analysis: tells which circuit is really being simulated."""
        self = ffi.from_handle(user_data)
        self.title = ffi.string(data.title).decode("ascii", "replace")
        self.plots_begun += 1
        return 0

    @staticmethod
    def _background_thread_running(is_running: bool, ngspice_id: int, user_data: Any) -> int:
        return 0

    def hear(self, is_error: bool, text: str) -> None:
        """Keeps a message; faults are looked for here, since a talkative run fills the log before it ends."""
        heard = self._stderr if is_error else self._stdout
        if len(heard) < MOST_LOG_LINES:
            heard.append(text)
        if len(self.messages) < MOST_LOG_LINES:
            self.messages.append((is_error, text))
        kind = _fault_kind(text) if is_error else ""
        if not is_error and _STICKY.search(text):
            self.fit, kind = False, "sticky"
        if kind and len(self.faults) < MOST_LOG_LINES:
            self.faults.append((kind, text.strip()))

    def forget_messages(self) -> None:
        """Clears what was said so far."""
        self.clear_output()
        self.messages.clear()
        self.faults.clear()

    def command(self, text: str) -> list[str]:
        """Runs a command and returns what it printed; SimulationError (unfit) where the library cannot go on."""
        self._refuse_unfit()
        self.clear_output()
        code = self._ngspice_shared.ngSpice_Command(text.encode("ascii"))
        self._refuse_fatal(code)
        return list(self._stdout)

    def load(self, lines: Sequence[str]) -> None:
        """Hands a deck over, line by line."""
        self._refuse_unfit()
        self.clear_output()
        texts = [ffi.new("char[]", line.encode("ascii")) for line in lines]
        self._refuse_fatal(self._ngspice_shared.ngSpice_Circ(ffi.new("char *[]", [*texts, ffi.NULL])))

    def _refuse_unfit(self) -> None:
        if not self.fit:  # a call into a library that asked to be detached ends in a crash
            raise SimulationError("unfit", "this process's ngspice must not be used again", unfit=True)

    def _refuse_fatal(self, code: int) -> None:
        if code or not self.fit:
            self.fit = False
            raise SimulationError(self.faults[0][0] if self.faults else "fatal", self.first_words(), unfit=True)

    def unload_everything(self) -> None:
        """Frees all results and circuits: a circuit left behind would be simulated in place of the next."""
        self.command("destroy all")
        for _ in range(MOST_CIRCUITS):
            self.clear_output()
            self._ngspice_shared.ngSpice_Command(b"remcirc")
            if any("circuit" in text.lower() for text in (*self._stderr, *self._stdout)):
                break
        else:
            self.fit = False
            raise SimulationError("unclean", "circuits of earlier cases cannot be removed", unfit=True)
        # Frees the command history, the one thing that grows: 1,400 bytes a run without, none with.
        self._ngspice_shared.ngSpice_Command(ffi.NULL)

    def settings(self) -> frozenset[str]:
        """The library's global settings, which outlive a circuit."""
        return frozenset(line for line in self.command("set") if not _MOVING_SETTINGS.match(line))

    def first_words(self) -> str:
        """The first complaints of the last command, for an error text: what follows them is mostly their echo."""
        errors = [text.strip() for is_error, text in self.messages if is_error and not _HARMLESS.match(text)]
        return " / ".join(errors[:3] or [text for _, text in self.faults[:3]]) or "ngspice gave no reason"

    def vector(self, plot: str, name: str) -> FloatArray:
        """A copy of a result vector; SimulationError where it is missing."""
        info = self._ngspice_shared.ngGet_Vec_Info(f"{plot}.{name}".encode("ascii"))
        if info == ffi.NULL or info.v_realdata == ffi.NULL or info.v_length == 0:
            raise SimulationError("missing_vector", f"ngspice returned no {name}")
        return np.frombuffer(ffi.buffer(info.v_realdata, 8 * info.v_length), np.float64).copy()

    def current_plot(self) -> str:
        return str(ffi.string(self._ngspice_shared.ngSpice_CurPlot()).decode("ascii", "replace"))


def _fault_kind(text: str) -> str:
    return next((kind for kind, pattern in _FAULTS if pattern.search(text)), "")


_the_simulator: _Simulator | None = None
_settings_at_start: frozenset[str] = frozenset()


def _simulator() -> _Simulator:
    global _the_simulator, _settings_at_start  # noqa: PLW0603  # libngspice itself is one a process
    if _the_simulator is None:
        NgSpiceShared.LIBRARY_PATH = library_path()
        for version in range(35, 60):  # PySpice knows versions up to 34 by number; later ones number alike
            SIMULATION_TYPE.setdefault(version, SIMULATION_TYPE["last"])
        try:
            _the_simulator = _Simulator.new_instance()
        except OSError as error:
            raise SetupError(f"libngspice cannot be loaded: {error}") from error
        _settings_at_start = _the_simulator.settings()
    return _the_simulator


def version() -> str:
    """Version and build date of this process's libngspice from its banner, such as ``39 (Feb 5 2023 13:44:35)``.

    The banner has no minor version, so the build date stands for it.
    """
    banner = " ".join(_simulator().command("version -s"))
    number = re.search(r"ngspice-([0-9.]+)", banner)
    built = re.search(r"Creation Date: \w+ +(\w+) +(\d+) ([\d:]+) \w+ (\d+)", banner)
    date = f"{built.group(1)} {built.group(2)} {built.group(4)} {built.group(3)}" if built else "unknown build"
    return f"{number.group(1) if number else 'unknown'} ({date})"


def is_fit() -> bool:
    """Whether this process may run another case; True also where it has run none yet."""
    return _the_simulator is None or _the_simulator.fit


def messages() -> tuple[str, ...]:
    """What ngspice said since the last deck was handed over; a failed run keeps it."""
    return () if _the_simulator is None else tuple(text for _, text in _the_simulator.messages)


class Session:
    """One case, from a clean simulator to a clean simulator; no session outlives its case.

    Parameters
    ----------
    lines : deck lines without title and ``.end``
    title : unique to the case and attempt; compared when the analysis starts

    Raises
    ------
    SimulationError : on entering, where ngspice complained about the deck or the process is unfit
    """

    def __init__(self, lines: Sequence[str], title: str) -> None:
        self._lines = lines
        self._title = title.lower()

    def __enter__(self) -> Self:
        self._simulator = _simulator()
        self._simulator.unload_everything()
        self._simulator.forget_messages()
        try:
            self._simulator.load([f".title {self._title}", *self._lines, ".end"])
            self._refuse_complaints("load")
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()

    def _leave(self) -> None:
        """Leaves a clean simulator, or one marked unfit. Never raises: cleaning must not cost a finished result."""
        simulator = self._simulator
        said, faults = list(simulator.messages), list(simulator.faults)
        if simulator.fit:
            try:
                simulator.unload_everything()
                simulator.fit = simulator.settings() == _settings_at_start
            except SimulationError:
                simulator.fit = False
        simulator.messages[:], simulator.faults[:] = said, faults

    @property
    def log(self) -> tuple[str, ...]:
        """What ngspice said since the deck was loaded."""
        return messages()

    def _refuse_complaints(self, kind: str) -> None:
        said = [text for is_error, text in self._simulator.messages if is_error and not _HARMLESS.match(text)]
        if said:
            raise SimulationError(kind, " / ".join(said[:5]))

    def alter(self, parameter: str, values: Sequence[float]) -> None:
        """Changes a device's parameter, such as ``@c.xstage.cbank0[ic]``, to a number or a list of them.

        Raises
        ------
        SimulationError : the parameter is not in the closed list, or ngspice complained (it returns 0 all the same)
        """
        if not _ALTERABLE.fullmatch(parameter):
            raise SimulationError("alter", f"parameter {parameter!r} is not in the closed list")
        numbers = " ".join(repr(float(value)) for value in values)
        self._simulator.forget_messages()
        self._simulator.command(f"alter {parameter} = {numbers if len(values) == 1 else f'[ {numbers} ]'}")
        self._refuse_complaints("alter")

    def run(self, analysis: Transient, vectors: Sequence[str]) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Runs the deck's own analysis.

        Returns and raises as ``run_for``.
        """
        return self._run("run", analysis, vectors)

    def run_for(self, analysis: Transient, vectors: Sequence[str]) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Runs the loaded circuit for a time of its own, from the initial conditions set last.

        Returns
        -------
        time, shape (n,), and vector name -> values of that shape

        Raises
        ------
        SimulationError : for every fault of the run, by its kind
        """
        return self._run(transient(analysis.max_step, analysis.stop), analysis, vectors)

    def _run(
        self, command: str, analysis: Transient, vectors: Sequence[str]
    ) -> tuple[FloatArray, dict[str, FloatArray]]:
        simulator = self._simulator
        simulator.command("destroy all")
        simulator.forget_messages()
        simulator.title, simulator.plots_begun = "", 0
        simulator.command(command)
        plot = simulator.current_plot()
        if simulator.plots_begun and simulator.title.lower() != self._title:
            simulator.fit = False
            raise SimulationError("stale", f"simulated {simulator.title!r} instead of {self._title!r}", unfit=True)
        if simulator.faults:
            raise self._faulty_run(plot, analysis)
        if simulator.plots_begun > 1:
            raise SimulationError("analyses", f"the deck holds {simulator.plots_begun} analyses, one is allowed")
        if simulator.plots_begun == 0 or not plot.startswith("tran"):
            raise SimulationError("no_result", simulator.first_words())
        time = simulator.vector(plot, "time")
        signals = {name: simulator.vector(plot, name) for name in vectors}
        _check_result(time, signals, analysis)
        return time, signals

    def _faulty_run(self, plot: str, analysis: Transient) -> SimulationError:
        faults = self._simulator.faults
        try:
            reached = f" (reached {self._simulator.vector(plot, 'time')[-1]:.6g} s of {analysis.stop:.6g} s)"
        except SimulationError:
            reached = ""
        texts = list(dict.fromkeys(text for _, text in faults))
        return SimulationError(faults[0][0], f"{' / '.join(texts[:3])}{reached}", unfit=not self._simulator.fit)


def _check_result(time: FloatArray, signals: dict[str, FloatArray], analysis: Transient) -> None:
    if abs(time[-1] - analysis.stop) > END_TIME_TOLERANCE * analysis.stop:
        raise SimulationError("truncated", f"ended at {time[-1]:.9g} s instead of {analysis.stop:.9g} s")
    if np.any(np.diff(time) < 0):
        raise SimulationError("time", "time runs backwards")
    for name, values in signals.items():
        if values.shape != time.shape:
            raise SimulationError("length", f"{name} has {values.size} points, time has {time.size}")
        if not np.all(np.isfinite(values)) or np.max(np.abs(values)) > LARGEST_VALUE:
            raise SimulationError("not_finite", f"{name} leaves all bounds")
