"""What counts, tier by tier: everything in an earlier one goes before all that later ones have.

1. Urgent requests, each priority a tier of its own: stops of hazards that people are near, stops of
   other hazards, other stops, what hazardous steps need, what others need. First how many are
   served; then how late the stops can be sent, in steps of a minute.
2. What was granted and is too near to be moved (frozen).
3. Contacts, each as often as its request's priority says: one of priority 10 counts as ten of
   priority 1.
4. Comfort, which so never costs a contact::

    p · (100 · preferred + 100 · length + 200 · kept)

``preferred`` is 1 at a station that is liked better, else 0; ``length`` runs from 0 at the least
duration to 1 at the longest that the request can have anywhere; ``kept`` is 1 where what was
granted before is granted again (its ends moved by no more than half a minute), and one half where
some of it is. Of urgent requests p is 1.
"""

from __future__ import annotations

PREFERRED = 100
LENGTH = 100
KEPT = 200
