"""Simulated vats behind real pseudo-terminals: the demo and the test bed.

The room has its own equations and shares none with `vatwatch.chemistry` or `vatwatch.vat`, which it serves to check.
"""
