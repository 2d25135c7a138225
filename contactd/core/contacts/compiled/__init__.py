"""Contact prediction compiled to machine code, for fleets (extra ``fleet``: numba).

The same search as the plain path, with an SGP4 that works on whole vectors of instants. Both end
with the same exact step, and tests hold them to the same numbers.
"""
