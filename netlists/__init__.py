"""Describes a mains power supply: its parts as found, and the netlists made of them. Never imports harness."""
