"""Decisions on a specimen at reception: what may be reported, what may still be added, and why."""
