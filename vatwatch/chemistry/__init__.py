"""Cited chemical relations as small pure functions: electrodes, buffers, calibration, indigo couple, alkali,
oxygen.

Nothing here knows the time, a file, a port or a vat. A value outside the range its source covers raises
`RangeError`; a value that was recalled rather than looked up says "from memory" and can be set by the caller.
"""
