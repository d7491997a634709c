"""Chemistry of the specimen, computed: what binds what, and what is left free.

The speciation needs NumPy. Questions that need no arithmetic must not import it, nor the command line at its start.
"""
