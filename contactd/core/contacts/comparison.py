"""How far contacts moved between two predictions of one target, such as after new elements.

A contact is known again by its station and by meeting the other prediction's contact in time;
where a shift is greater than the contact is long, by being the nearest that is left within half a
revolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from contactd.core.contacts.contact import Contact

MOST_COMPARED = 5_000
"""Contacts of each prediction that are looked at, the earliest first."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One contact in both predictions."""

    before: Contact
    after: Contact

    @property
    def aos_s(self) -> float | None:
        """How much later (negative: earlier) AOS is now; None if it is cut there in either."""
        cut = self.before.cut_at_start or self.after.cut_at_start
        return None if cut else self.after.aos - self.before.aos

    @property
    def los_s(self) -> float | None:
        """How much later (negative: earlier) LOS is now; None if it is cut there in either."""
        cut = self.before.cut_at_end or self.after.cut_at_end
        return None if cut else self.after.los - self.before.los


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two predictions' contacts, paired.

    Attributes:
        pairs: contacts that are in both, in the order of their AOS before.
        vanished: contacts that are only in the earlier prediction.
        appeared: contacts that are only in the later one.
    """

    pairs: tuple[Moved, ...] = ()
    vanished: tuple[Contact, ...] = ()
    appeared: tuple[Contact, ...] = ()

    @property
    def furthest(self) -> Moved | None:
        """The pair whose AOS moved furthest, either way; None if no AOS can be compared."""
        known = [pair for pair in self.pairs if pair.aos_s is not None]
        return max(known, key=lambda pair: abs(pair.aos_s or 0.0), default=None)

    @property
    def furthest_s(self) -> float:
        """How far that AOS moved, without a sign; 0 if none can be compared."""
        furthest = self.furthest
        return 0.0 if furthest is None else abs(furthest.aos_s or 0.0)

    @property
    def longest_unpaired(self) -> Contact | None:
        """The longest contact that is in one prediction only, cut ones left aside."""
        whole = [
            contact
            for contact in (*self.vanished, *self.appeared)
            if not contact.cut_at_start and not contact.cut_at_end
        ]
        return max(whole, key=lambda contact: contact.duration_s, default=None)


def compare(
    before: Sequence[Contact], after: Sequence[Contact], half_period_s: float, since: float
) -> Comparison:
    """Pair the contacts of two predictions of one target.

    Args:
        before, after: as the earlier and the later prediction have them, over the same span.
        half_period_s: half of the orbit's period: contacts further apart are different ones.
        since: contacts that ended before this instant (s) in both are of no interest.

    At most ``MOST_COMPARED`` of each are looked at.
    """
    pairs: list[Moved] = []
    vanished: list[Contact] = []
    appeared: list[Contact] = []
    earlier, later = _by_station(before, since), _by_station(after, since)
    for station in sorted({*earlier, *later}):
        olds, news = earlier.get(station, []), later.get(station, [])
        olds, news = _paired(olds, news, pairs, half_period_s)
        vanished += olds
        appeared += news
    pairs.sort(key=lambda pair: pair.before.aos)
    return Comparison(
        tuple(pairs),
        tuple(sorted(vanished, key=lambda each: each.aos)),
        tuple(sorted(appeared, key=lambda each: each.aos)),
    )


def _by_station(contacts: Sequence[Contact], since: float) -> dict[str, list[Contact]]:
    ahead = sorted((each for each in contacts if each.los > since), key=lambda each: each.aos)
    found: dict[str, list[Contact]] = {}
    for contact in ahead[:MOST_COMPARED]:
        found.setdefault(contact.station, []).append(contact)
    return found


def _paired(
    olds: list[Contact], news: list[Contact], pairs: list[Moved], half_period_s: float
) -> tuple[list[Contact], list[Contact]]:
    """Pair one station's contacts; what is left of each.

    The closest pairs are made first, those that overlap before those that do not.
    """
    found: list[tuple[bool, float, int, int]] = []
    first = 0
    for i, old in enumerate(olds):
        while first < len(news) and news[first].los < old.aos - half_period_s:
            first += 1
        for j in range(first, len(news)):
            new = news[j]
            if new.aos > old.los + half_period_s:
                break
            apart_s = abs(0.5 * (new.aos + new.los) - 0.5 * (old.aos + old.los))
            apart = new.los <= old.aos or old.los <= new.aos
            if not apart or apart_s <= half_period_s:
                found.append((apart, apart_s, i, j))
    left_old, left_new = set(range(len(olds))), set(range(len(news)))
    for _, _, i, j in sorted(found):
        if i in left_old and j in left_new:
            left_old.remove(i)
            left_new.remove(j)
            pairs.append(Moved(olds[i], news[j]))
    return [olds[i] for i in sorted(left_old)], [news[j] for j in sorted(left_new)]
