"""Turns a record into cases, in rounds: ask for runs, be told what they measured, ask again."""
