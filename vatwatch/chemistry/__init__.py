"""Cited chemical relations as small pure functions: electrodes, buffers, calibration, indigo couple, alkali,
oxygen.

Nothing here knows the time, a file, a port or a vat. A value outside the range its source covers raises
`RangeError`; a value that was recalled rather than looked up says "from memory" and can be set by the caller.

Sources are named where the relation stands. DOIs were written down from memory, except Bandura & Lvov's, and are a
help in finding the paper, not a sign that its full text was read; tests/reference says for each table how far its
values were checked.
"""
