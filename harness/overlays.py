"""Measured waveforms laid over stored runs: a record's captures, and files dropped on the viewer, which stay in memory."""

from __future__ import annotations

from harness.show.viewer.folder import AbsentError
from harness.show.viewer.traces import Held


class Overlays:
    """What was laid over runs while the viewer is open."""

    def __init__(self) -> None:
        self._lines: dict[tuple[str, str], Held] = {}

    def held(self, source: str, signal: str) -> Held:
        """A line by its source and signal; AbsentError where there is none."""
        found = self._lines.get((source, signal))
        if found is None:
            raise AbsentError(f"{source}: is no longer in memory; lay it over again")
        return found
