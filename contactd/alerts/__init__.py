"""Which facts are worth telling, to whom, and until when.

``rules`` makes matters of a snapshot, ``life`` decides which of them are new, ``state`` folds what
has been told, ``delivery`` brings it to the channels.
"""

from contactd.alerts.candidate import Matter, Matters
from contactd.alerts.evaluate import Reach, beat
from contactd.alerts.policy import Leads, Policy
from contactd.alerts.rules import matters
from contactd.alerts.state import AlertState, fold_alerts, learn_alert

__all__ = [
    "AlertState",
    "Leads",
    "Matter",
    "Matters",
    "Policy",
    "Reach",
    "beat",
    "fold_alerts",
    "learn_alert",
    "matters",
]
