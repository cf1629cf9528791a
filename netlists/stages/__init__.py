"""One file a power stage: parameters, subcircuit, bench, probes."""
