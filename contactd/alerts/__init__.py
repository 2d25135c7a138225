"""Which facts are worth telling, to whom, and until when.

Three nouns: a *candidate* is a fact that is worth telling (``rules`` find them in a snapshot); an
*alert* is such a fact with an identity and a state (``evaluate`` raises and resolves them, ``fold``
keeps track of them); a *notification* is one message to one channel (``grouping`` makes them,
``delivery`` brings them there).
"""

from contactd.alerts.candidate import Candidate, Candidates
from contactd.alerts.evaluate import Reach, evaluate
from contactd.alerts.fold import AlertState, fold_alerts, learn_alert
from contactd.alerts.policy import Leads, Policy
from contactd.alerts.rules import candidates

__all__ = [
    "AlertState",
    "Candidate",
    "Candidates",
    "Leads",
    "Policy",
    "Reach",
    "candidates",
    "evaluate",
    "fold_alerts",
    "learn_alert",
]
