"""Odd panels found in whole tables of results."""
