"""Keeps runs as HDF5 files, whole or not at all, with an SQLite index that is only a cache of them."""
