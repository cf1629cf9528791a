"""Assumed values of a record fitted to a stored capture, from file to file."""
