"""Emberpail: minds buckets of potash soap from the thermocouple to the phone."""

import os

__version__ = "0.1.0"

# The matrices here are small: a second thread in the linear algebra costs more than it brings, and one order of
# summing keeps every figure the same to the last bit. It counts only if numpy has not been imported before.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
