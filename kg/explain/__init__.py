"""The explanation of an odd result: what was found, what may have caused it and how sure that is."""
