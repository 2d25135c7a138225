"""Following the lead: taking it up when it is ours, letting go of it when it is not.

The pair says who leads; this brings the daemon into line with that, one change at a time, and says
so in words that make sense to somebody who was woken by them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import structlog

from contactd.core.errors import LedgerError
from contactd.service.events import Event, Follow, Lead

if TYPE_CHECKING:
    from contactd.alerts.delivery import Delivery
    from contactd.service.clock import Clock
    from contactd.service.election import Pair, Standing
    from contactd.service.ledger_keeper import LedgerKeeper

log = structlog.get_logger("contactd.pair")


class Parts(Protocol):
    """What changes with the lead: see :class:`contactd.service.effects.Effects`."""

    keeper: LedgerKeeper
    delivery: Delivery

    def spawn(self, work: Coroutine[Any, Any, None]) -> None:
        """Do something beside all else."""
        ...


@dataclass(frozen=True, slots=True)
class Ties:
    """What leadership does something with.

    Attributes:
        parts: the ledger, which is written under a fence, and what is being sent.
        post: has events taken by the watch.
        beat: a whole beat.
        refuse: asks the service to end.
        clock: the service's.
    """

    parts: Parts
    post: Callable[[Event], None]
    beat: Callable[[], Coroutine[Any, Any, None]]
    refuse: Callable[[], None]
    clock: Clock


class Leading:
    """Whether this service leads, as far as it has taken that up.

    Args:
        pair: who leads; None where this service is alone, and so leads always.

    Attributes:
        taken: the fence under which the lead has been taken up, or None.
        changes: how often it has been taken up.
        refusal: why this service must end, or "".
    """

    def __init__(self, pair: Pair | None) -> None:
        self.pair = pair
        self.taken: int | None = None
        self.changes = 0
        self.refusal = ""
        self._said = ""
        self._trouble = ""
        self._task: asyncio.Task[None] | None = None

    @property
    def leads(self) -> bool:
        """Whether this service records, raises and sends."""
        return self.pair is None or self.taken is not None

    @property
    def may_send(self) -> bool:
        """Whether it leads for sure at this moment."""
        return self.pair is None or (self.leads and self.pair.holds())

    @property
    def role(self) -> str:
        """``leads`` or ``follows``; "" where this service is alone.

        One that led when it was last sure of it, and is not now, is ``unsure``: it sends nothing.
        """
        if self.pair is None:
            return ""
        if not self.leads:
            return "follows"
        return "leads" if self.pair.is_sure else "unsure"

    @property
    def leader(self) -> str:
        """Name of the service that leads; "" if none does, or this one is alone."""
        standing = None if self.pair is None else self.pair.standing
        return "" if standing is None or standing.lapsed else standing.leader

    def reasons(self) -> list[str]:
        """Why this service, or the pair, cannot be relied on."""
        if self.pair is None:
            return []
        standing = self.pair.standing
        if standing.trouble:
            return [f"who leads cannot be asked: {standing.trouble}"]
        if standing.lapsed:
            return ["nobody leads"]
        return []

    def notice(self) -> str:
        """What every screen of a service that follows says; "" where it leads or is alone."""
        pair, leader, role = self.pair, self.leader, self.role
        if pair is None or role == "leads":
            return ""
        if role == "unsure":
            return f"{pair.name} cannot confirm that it leads: it sends no alerts until it can."
        if not leader:
            return f"{pair.name}: nobody leads at present, so that no alerts are sent."
        return f"{pair.name} follows {leader}, which sends the alerts. What you enter here counts."

    def fenced_out(self) -> None:
        """Another service was found to lead when something was to be written."""
        if self.pair is not None:
            self.pair.lost()

    async def start(self, ties: Ties) -> None:
        """Come to terms with whoever leads now, and go on following that."""
        assert self.pair is not None
        await self.pair.start(ties.parts.delivery.withdraw)
        await self._come_to_terms(ties)
        self._task = asyncio.create_task(self._follow(ties))

    async def stop_following(self) -> None:
        """Change nothing any more."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def leave(self) -> None:
        """Give the lead back, so that another can take it at once."""
        if self.pair is not None:
            await self.pair.stop()

    async def _follow(self, ties: Ties) -> None:
        assert self.pair is not None
        while True:
            await self.pair.changed.wait()
            try:
                await self._come_to_terms(ties)
            except Exception:
                log.exception("the lead could not be followed; the next change tries again")

    async def _come_to_terms(self, ties: Ties) -> None:
        assert self.pair is not None
        self.pair.changed.clear()
        standing = self.pair.standing
        ours = standing.fence if standing.leads and not standing.is_newer else None
        if self.taken is not None and self.taken != ours:
            self.taken = None
            await self._let_go(ties)
            others = standing.leader not in ("", self.pair.name)
            log.warning(
                "the lead is lost: this service follows",
                to=standing.leader if others else "another service",
            )
        if standing.is_newer:
            from contactd.records.database import newer_form

            self.refusal = f"the ledger {newer_form(standing.form)}"
            log.error("this version must leave the ledger alone", reason=self.refusal)
            ties.refuse()
        elif ours is not None and self.taken is None:
            await self._take_up(ours, ties)
        else:
            self._say(standing)

    async def _take_up(self, fence: int, ties: Ties) -> None:
        """Record, raise and send from now on, under a fence."""
        assert self.pair is not None
        keeper = ties.parts.keeper
        try:
            await keeper.lead(fence)
            while await keeper.exchange():
                pass
            if keeper.store.trouble:
                raise LedgerError(keeper.store.trouble, passing=True)
        except LedgerError as error:
            log.error("the lead could not be taken up: it is left to others", reason=str(error))
            self.pair.decline()
            await self._let_go(ties)
            return
        self.taken = fence
        ties.post(Lead({"node": self.pair.name, "fence": fence}))
        await keeper.exchange()
        await ties.beat()
        if self.pair.sends_in_s:
            ties.parts.spawn(self._send_when_it_may(self.pair, ties))
        self.changes += 1
        self._said = "leads"
        log.info(
            "this service leads",
            node=self.pair.name,
            fence=fence,
            services=self.pair.standing.members,
        )

    async def _send_when_it_may(self, pair: Pair, ties: Ties) -> None:
        """Beat at the moment from which the one before sends no more."""
        await ties.clock.sleep(pair.sends_in_s)
        await ties.beat()

    async def _let_go(self, ties: Ties) -> None:
        """Only keep up from now on. What is held here, whoever leads finds by itself."""
        self.taken = None
        ties.parts.delivery.withdraw()
        dropped = await ties.parts.keeper.follow()
        ties.post(Follow())
        if dropped:
            log.warning("what was not yet in the ledger is left to whoever leads", records=dropped)

    def _say(self, standing: Standing) -> None:
        """Say what has changed of the surroundings, once."""
        assert self.pair is not None
        if standing.trouble and not self._trouble and self.taken is not None:
            alone = "no other service is in sight: alerts go on, and are recorded afterwards"
            silent = "the lead cannot be confirmed: nothing is sent until the ledger answers"
            log.error(alone if self.pair.is_alone else silent, trouble=standing.trouble)
        elif self._trouble and not standing.trouble and self.taken is not None:
            log.info("the lead is confirmed again", fence=standing.fence)
        self._trouble = standing.trouble
        said = "leads" if self.taken is not None else f"follows {self.leader or 'nobody'}"
        if said != self._said and not standing.trouble:
            self._said = said
            if not self.leader:
                log.warning("nobody leads at present", last=standing.leader or "nobody")
            elif self.taken is None:
                log.info("this service follows", node=self.pair.name, leader=standing.leader)
