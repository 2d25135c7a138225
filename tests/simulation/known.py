"""What is told and is false, by kind of violation; each with the seed of a night. There is nothing.

A test asserts that each is still there. When one is corrected, that test fails: take its line out.
"""

KNOWN: dict[str, int] = {}
