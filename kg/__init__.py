"""Tubelore: what blood tubes, additives, handling and interferences do to laboratory tests, and why."""

__version__ = "0.1.0"
DATA_VERSION = "2026.11.25"
