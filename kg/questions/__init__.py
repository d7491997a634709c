"""The questions. Each module has one function of the same name that returns an ``Answer``."""
