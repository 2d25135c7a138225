"""The ledger, and the state that is folded from it. Nothing is ever updated in place.

Importing this loads no database library; only opening a ledger does.
"""

from contactd.records.ledger import Ledger
from contactd.records.state import State, as_known_at, fold
from contactd.records.verification import ChainFault, Verification

__all__ = ["ChainFault", "Ledger", "State", "Verification", "as_known_at", "fold"]
