"""The real service over an invented watch room, started once for all tests of this folder."""

from watch_service import service

__all__ = ["service"]
