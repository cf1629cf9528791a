"""Signals and plain numbers in, metrics out; no file, no plot, no parameter object."""
