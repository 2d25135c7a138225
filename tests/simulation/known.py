"""What is told and is false, by kind of violation; each with the seed of a night.

A test asserts that each is still there. When one is corrected, that test fails: take its line out.
"""

KNOWN: dict[str, int] = {
    # An expiry that was published, and whose step moved later, stays in the calendar.
    "calendar: expiry after its latest": 206,
    "calendar: another earliest": 206,
    "calendar: another latest": 206,
}
