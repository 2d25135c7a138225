"""The real page, in a real browser, over the real service."""

from real_browser import browser, visit
from watch_service import service

__all__ = ["browser", "service", "visit"]
