"""What is told today and is false, by kind of violation; each with the seed of a night.

A test asserts that each is still there. When one is corrected, that test fails: take its line out.
"""

KNOWN: dict[str, int] = {
    "alert: open alert that is over": 0,
    "alert: another earliest": 4,
    "alert: another latest": 6,
    "alert: another stop-by": 6,
    "alert: another clear-from": 6,
    "alert: another clear-to": 6,
    "alert: expiry after its latest": 12,
    "alert: danger after keep-clear": 12,
}
