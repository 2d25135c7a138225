"""Checking that the ledger is what was stored: every number, every digest, the whole chain."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contactd.records.chain import Link

MOST_FAULTS = 20


@dataclass(frozen=True, slots=True)
class ChainFault:
    """A record that is not what was stored. ``number`` says where, ``what`` says how."""

    number: int
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What checking the whole chain found.

    Attributes:
        records: how many records were read.
        number, digest: of the last good record; noted elsewhere, they prove the end of the chain.
        faults: the first faults found, at most ``MOST_FAULTS``.
    """

    records: int
    number: int
    digest: str
    faults: tuple[ChainFault, ...] = ()

    @property
    def intact(self) -> bool:
        """Whether every record is what was stored."""
        return not self.faults


def verify(links: Iterable[Link], kept: dict[int, Link]) -> Verification:
    """Check a chain from its first record on.

    Args:
        kept: by number, the copies that are in the table of records that are archived.
    """
    from contactd.core.record import Record
    from contactd.records.chain import NO_DIGEST, BrokenHistory, Link

    count, last = 0, Link(Record(0.0, "", "", ""), "", "", NO_DIGEST)
    good = (0, NO_DIGEST)
    faults: list[ChainFault] = []
    try:
        for link in links:
            count += 1
            copy = kept.get(link.record.number, link)
            fault = _fault(link, last) or _fault_of_kept(link, copy)
            if fault:
                faults.append(ChainFault(link.record.number, fault))
            elif not faults:
                good = (link.record.number, link.digest)
            last = link
            if len(faults) >= MOST_FAULTS:
                break
    except BrokenHistory as error:
        faults.append(ChainFault(last.record.number + 1, str(error)))
    return Verification(count, good[0], good[1], tuple(faults))


def _fault(link: Link, last: Link) -> str:
    """What is wrong with a record that follows another in the chain, or ""."""
    expected = last.record.number + 1
    if link.record.number != expected:
        return f"record {expected} is not there"
    if not link.is_genuine or link.before != last.digest:
        return "the record, or the one before it, has been changed"
    return ""


def _fault_of_kept(link: Link, kept: Link) -> str:
    """What is wrong with the copy in the table of a record that is archived, or ""."""
    if (kept.record, kept.body, kept.digest) == (link.record, link.body, link.digest):
        return ""
    return "the record in the table is not the one in the archive"
