"""Fixtures of tests that put real servers around the real service."""

from daemon import lay_scene, start_daemon
from receivers import webhook

__all__ = ["lay_scene", "start_daemon", "webhook"]
