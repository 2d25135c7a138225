"""The HTTP face: the interface, the page, metrics and health, over one immutable snapshot."""

from contactd.faces.http.access import Access, AccessRules
from contactd.faces.http.app import build_app
from contactd.faces.http.view import RecordFilter, View

__all__ = ["Access", "AccessRules", "RecordFilter", "View", "build_app"]
