"""Schedules of station time, exchanged with others by open formats."""
