"""Makes schema-1.h5 again; see README.md. Run from the top of the repository."""

from pathlib import Path

import numpy as np

from harness.contracts import Axis, Metric, Run, Signal
from harness.store.runs import SCHEMA_VERSION, encode_run


def main() -> None:
    assert SCHEMA_VERSION == 1, "an old file can only be made by the program of its time: check out an older commit"
    time = np.array([0.0, 1e-3, 1.5e-3, 4e-3])
    run = Run(
        case_id="0123456789abcdef" * 4,
        status="ok",
        axis=Axis("time", "s", time),
        signals={
            "v(bulk)": Signal("v(bulk)", "V", "bulk capacitor", "voltage", "0", np.array([0.0, 100.5, 200.25, 325.0])),
            "gain": Signal("gain", "1", "a complex one", "voltage", "", np.array([1 + 2j, 0.5j, -1, 0.25 - 0.5j])),
        },
        solution={"duty": 0.375},
        log=("first line", "second line, 4.7 µF"),
    )
    data = encode_run(
        run,
        [Metric("inrush_peak", "BR1", 41.5, "A", (0.0, 0.004), 0.001), Metric("ripple", "bulk", 7.25, "V", (0, 0.004))],
        postprocess_version="1",
        provenance={"record": "kiln-900", "instance": "bulk", "attempt": 1},
        parameters={"bulk.capacitance": (470e-6, "F")},
        created_utc="2025-01-02T03:04:05+00:00",
    )
    Path(__file__).with_name("schema-1.h5").write_bytes(data)


if __name__ == "__main__":
    main()
