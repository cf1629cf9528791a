"""Runs the netlists, keeps the waveforms, measures them, checks them by hand calculation, and judges."""
