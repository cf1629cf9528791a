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
from netlists.errors import SetupError, SimulationError

LARGEST_VALUE = 1e12  # a floating node was seen 'solved' at 5e11 V; no signal of a mains supply comes near
END_TIME_TOLERANCE = 1e-9  # of the stop time, relative
MOST_LOG_LINES = 400
MOST_CIRCUITS = 50
COMMANDS_BETWEEN_HISTORY_CLEARS = 2000

# Messages on stderr that come with a complete and right result.
_HARMLESS = re.compile(
    r"(note:|using transient initial conditions|trying gmin stepping|warning: vsrc .* has no value|"
    r"warning: v[\w.#]*: no dc value|can't find init file|\s*$)",
    re.I,
)
# Messages that make a finished run wrong.
_FATAL = re.compile(
    r"(timestep too small|aborted|run simulation\(s\) aborted|doanalyses|singular matrix|transient op|"
    r"no convergence|iteration limit|could not find|no such|unknown|undefined|fatal|^error|out of memory|"
    r"there aren't any circuits|circuit not parsed|cannot recover|interrupted|impossible|too many)",
    re.I,
)
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
        self.exited = False
        self.title = ""
        self.plots_begun = 0
        self.commands = 0
        super().__init__(**options)

    @staticmethod
    def _send_char(message_c: Any, ngspice_id: int, user_data: Any) -> int:
        self = ffi.from_handle(user_data)
        text = ffi.string(message_c).decode("utf8", "replace")
        stream, _, content = text.partition(" ")
        (self._stderr if stream == "stderr" else self._stdout).append(content)
        if len(self.messages) < MOST_LOG_LINES:
            self.messages.append((stream == "stderr", content))
        return 0

    @staticmethod
    def _send_stat(message: Any, ngspice_id: int, user_data: Any) -> int:
        return 0

    @staticmethod
    def _exit(status: int, immediate: bool, quit_exit: bool, ngspice_id: int, user_data: Any) -> int:
        ffi.from_handle(user_data).exited = True
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

    def command(self, text: str) -> list[str]:
        """Runs a command; SimulationError (unfit) where the library says it can go on no longer."""
        self.clear_output()
        self.commands += 1
        if self.commands % COMMANDS_BETWEEN_HISTORY_CLEARS == 0:
            self._ngspice_shared.ngSpice_Command(ffi.NULL)  # frees the command history
        code = self._ngspice_shared.ngSpice_Command(text.encode("ascii"))
        if code or self.exited:
            raise SimulationError("fatal", self.last_words(), unfit=True)
        return list(self._stdout)

    def load(self, lines: Sequence[str]) -> None:
        """Hands a deck over, line by line."""
        self.clear_output()
        texts = [ffi.new("char[]", line.encode("ascii")) for line in lines]
        code = self._ngspice_shared.ngSpice_Circ(ffi.new("char *[]", [*texts, ffi.NULL]))
        if code or self.exited:
            raise SimulationError("fatal", self.last_words(), unfit=True)

    def unload_everything(self) -> None:
        """Frees all results and circuits: a circuit left behind would be simulated in place of the next."""
        self.command("destroy all")
        for _ in range(MOST_CIRCUITS):
            self.clear_output()
            self._ngspice_shared.ngSpice_Command(b"remcirc")
            if any("circuit" in text.lower() for text in (*self._stderr, *self._stdout)):
                return
        raise SimulationError("unclean", "circuits of earlier cases cannot be removed", unfit=True)

    def last_words(self) -> str:
        """The last messages on stderr, for an error text."""
        errors = [text for is_error, text in self.messages if is_error and not _HARMLESS.match(text)]
        return " / ".join(errors[-3:]) or "ngspice gave no reason"

    def vector(self, plot: str, name: str) -> FloatArray:
        """A copy of a result vector; SimulationError where it is missing."""
        info = self._ngspice_shared.ngGet_Vec_Info(f"{plot}.{name}".encode("ascii"))
        if info == ffi.NULL or info.v_realdata == ffi.NULL or info.v_length == 0:
            raise SimulationError("missing_vector", f"ngspice returned no {name}")
        return np.frombuffer(ffi.buffer(info.v_realdata, 8 * info.v_length), np.float64).copy()

    def current_plot(self) -> str:
        return str(ffi.string(self._ngspice_shared.ngSpice_CurPlot()).decode("ascii", "replace"))


_the_simulator: _Simulator | None = None


def _simulator() -> _Simulator:
    global _the_simulator  # noqa: PLW0603  # libngspice itself is one a process
    if _the_simulator is None:
        NgSpiceShared.LIBRARY_PATH = library_path()
        for version in range(35, 60):  # PySpice knows versions up to 34 by number; later ones number alike
            SIMULATION_TYPE.setdefault(version, SIMULATION_TYPE["last"])
        try:
            _the_simulator = _Simulator.new_instance()
        except OSError as error:
            raise SetupError(f"libngspice cannot be loaded: {error}") from error
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


class Session:
    """One case, from a clean simulator to a clean simulator; no session outlives its case.

    Parameters
    ----------
    lines : deck lines without title and ``.end``
    title : unique to the case and attempt; compared when the analysis starts
    """

    def __init__(self, lines: Sequence[str], title: str) -> None:
        self._lines = lines
        self._title = title.lower()

    def __enter__(self) -> Self:
        self._simulator = _simulator()
        self._simulator.unload_everything()
        self._simulator.messages.clear()
        self._simulator.load([f".title {self._title}", *self._lines, ".end"])
        self._refuse_load_messages()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, SimulationError) and error.unfit:
            return
        self._simulator.unload_everything()

    @property
    def log(self) -> tuple[str, ...]:
        """What ngspice said since the deck was loaded."""
        return tuple(text for _, text in self._simulator.messages)

    def _refuse_load_messages(self) -> None:
        said = [text for is_error, text in self._simulator.messages if is_error and not _HARMLESS.match(text)]
        if said:
            raise SimulationError("load", " / ".join(said[:5]))

    def alter(self, parameter: str, values: Sequence[float]) -> None:
        """Changes a device's parameter, such as ``@c.xstage.cbank0[ic]``, to a number or a list of them.

        Raises
        ------
        SimulationError : the parameter is not in the closed list, or ngspice complained (it returns 0 all the same)
        """
        if not _ALTERABLE.fullmatch(parameter):
            raise SimulationError("alter", f"parameter {parameter!r} is not in the closed list")
        numbers = " ".join(repr(float(value)) for value in values)
        self._simulator.messages.clear()
        self._simulator.command(f"alter {parameter} = {numbers if len(values) == 1 else f'[ {numbers} ]'}")
        self._refuse_load_messages()

    def run(self, analysis: Transient, vectors: Sequence[str]) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Runs the deck's own analysis.

        Returns
        -------
        time, shape (n,), and vector name -> values of that shape

        Raises
        ------
        SimulationError : for every fault of the run, by its kind
        """
        simulator = self._simulator
        simulator.command("destroy all")
        simulator.messages.clear()
        simulator.title, simulator.plots_begun = "", 0
        simulator.command("run")
        fatal = [text for is_error, text in simulator.messages if is_error and _FATAL.search(text)]
        plot = simulator.current_plot()
        if not plot.startswith("tran"):
            raise SimulationError("no_result", simulator.last_words())
        if simulator.title.lower() != self._title or simulator.plots_begun != 1:
            raise SimulationError("stale", f"simulated {simulator.title!r} instead of {self._title!r}", unfit=True)
        time = simulator.vector(plot, "time")
        if fatal:
            raise SimulationError(
                "aborted", f"{' / '.join(fatal[:3])} (reached {time[-1]:.6g} s of {analysis.stop:.6g} s)"
            )
        signals = {name: simulator.vector(plot, name) for name in vectors}
        _check_result(time, signals, analysis)
        return time, signals


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
