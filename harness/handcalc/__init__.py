"""Parameters in, expected metrics out, by formula and source; never sees a waveform or a netlist."""
