"""The HTTP face: metrics, health and what the service knows, over one immutable snapshot."""

from contactd.faces.http.app import View, build_app

__all__ = ["View", "build_app"]
