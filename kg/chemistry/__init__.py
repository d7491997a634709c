"""Chemistry of the specimen, computed: what binds what, and what is left free.

Quantities are in mol/L, temperatures in degrees Celsius. NumPy is imported here and nowhere else in the
project, so that questions which need no arithmetic do not wait for it.
"""
