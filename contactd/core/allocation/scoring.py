"""What a contact counts. Whole points, so that every solver finds the same sum.

With p the priority of the request that a contact serves, it counts::

    p · (1000 + 100 · preferred + 100 · length + 200 · kept)

``preferred`` is 1 at a station that is liked better, else 0; ``length`` runs from 0 at the least
duration to 1 at the longest that the request can have anywhere; ``kept`` says how much of what was
granted before is granted again: what both have in common divided by what either has, and 1 where
the ends move by no more than half a minute. All of the
comfort together counts less than one more contact of the same priority.

Urgent requests count in a tier of their own, that goes before all the others: there, a contact
counts p · (1000 + 300 · late), ``late`` running from 0 at the first moment at which it could end
to 1 at the deadline, where later is better. Their comfort counts with the others', as if p were
1: they are to have what they must, and no more than that of what others want.
"""

from __future__ import annotations

GRANT = 1000
PREFERRED = 100
LENGTH = 100
KEPT = 200
LATE = 300
