"""The ledger, and the state that is folded from it. Nothing is ever updated in place.

Import from the modules (``contactd.records.ledger``, ``contactd.records.state``): this face
imports nothing, so that a command that needs no ledger pays for none.
"""
