"""Emberpail: minds buckets of potash soap from the thermocouple to the phone."""

__version__ = "0.1.0"
