"""The heart: pure computation over instants and intervals. No I/O, no clock, no logging."""
