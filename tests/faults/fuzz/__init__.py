"""Bytes that nobody foresaw, against everything that reads some from outside. See ``tests/faults/README.md``."""
