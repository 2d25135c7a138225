"""When alerts are raised: how long before, how long after, and which are not raised at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

HOUR_S = 3600.0
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Leads:
    """How long before a fact its alert is raised, or told again, in seconds.

    Attributes:
        contacts: ``all``, or ``needed``: only those on which a step or a decision hangs.
        contact_s: before AOS.
        contact_least_elevation_deg: contacts that stay lower are not announced.
        window_s: before commands are possible in a contact; 0 is that moment itself.
        closes_s: before commands are possible no more; 0: this is not told.
        step_s: before the earliest expiry of a step.
        stop_by_s: before the last moment to send a stop.
        keep_clear_s: before a keep-clear begins; its beginning and its end are always raised.
        aos_moved_s: new elements that move a contact's AOS by more than this are raised.
        disabled_kinds: kinds of alert that are not raised.
    """

    contacts: str = "all"
    contact_s: tuple[float, ...] = (600.0, 60.0)
    contact_least_elevation_deg: float = 0.0
    window_s: tuple[float, ...] = (0.0,)
    closes_s: float = 60.0
    step_s: tuple[float, ...] = (3600.0, 600.0, 60.0)
    stop_by_s: tuple[float, ...] = (3600.0, 600.0, 120.0)
    keep_clear_s: tuple[float, ...] = (900.0,)
    aos_moved_s: float = 30.0
    disabled_kinds: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Policy:
    """What is raised, and when.

    Attributes:
        leads: for every target that has none of its own.
        targets: leads by target's name.
        ahead_s: how far ahead of now candidates are collected, so that they can be raised on time.
        catch_up_s: after downtime, candidates that fell due longer ago than this are let go.
        worth_telling_after_s: how long after it happened something is still worth telling.
        span_least_s: a prediction that ends sooner than this is raised.
        planning_overdue_s: a plan older than this is raised.
        channel_failing_after_s: a channel that has failed for so long is raised.
    """

    leads: Leads = field(default_factory=Leads)
    targets: Mapping[str, Leads] = field(default_factory=dict)
    ahead_s: float = 60.0
    catch_up_s: float = DAY_S
    worth_telling_after_s: float = 900.0
    span_least_s: float = 6 * HOUR_S
    planning_overdue_s: float = 900.0
    channel_failing_after_s: float = 60.0

    def for_target(self, target: str) -> Leads:
        """The leads that hold for a target."""
        return self.targets.get(target, self.leads)
