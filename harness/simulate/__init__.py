"""Runs cases through ngspice, one by one or many at once, and hands each run to the store."""
