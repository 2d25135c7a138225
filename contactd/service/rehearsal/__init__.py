"""Rehearsals: the very same service on a simulated clock, in a world that a script directs.

Nothing of the real configuration that reaches outside is taken over: see :mod:`.stage`.
"""

from contactd.service.rehearsal.report import Report
from contactd.service.rehearsal.run import Rehearsal

__all__ = ["Rehearsal", "Report"]
