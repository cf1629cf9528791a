"""The local viewer of stored runs: a server for one browser on this machine, and the pages it serves.

Reads a results folder and writes nothing into it but the index, which is a cache. Defines no calculation.
"""
