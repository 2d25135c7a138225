"""How an expiry is spread between its bounds: the parts of its distribution."""

from __future__ import annotations

from contactd.core.sequences.clocks import rate_limits
from contactd.core.sequences.expiry import Expiry, Timeline, delay_of
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, Step
from contactd.core.sequences.probability import Spread


def spread_of(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    line: Timeline,
    step: Step,
    expiry: Expiry,
) -> Spread:
    """The distribution of a step's expiry: from its parts where it is a plain sum of them.

    Otherwise it is taken as uniform between its bounds.
    """
    whole = Spread((expiry.earliest + expiry.latest) / 2, ((expiry.latest - expiry.earliest) / 2,))
    chain = _chain(sequence, step)
    disturbed = knowledge.readings or knowledge.holds or knowledge.power_losses or knowledge.seen
    start = line.start
    if chain is None or disturbed or start.earliest is None or start.latest is None:
        return whole
    delays: dict[str | None, float] = {}
    widths: list[float] = []
    sigmas: list[float] = []
    for each in chain:
        delay = delay_of(each, knowledge)
        assert delay is not None
        unit = each.unit_names[0]
        delays[unit] = delays.get(unit, 0.0) + delay
        if each.delay.error_sigma_s is None:
            widths.append(each.delay.error_bound_s)
        else:
            sigmas.append(each.delay.error_sigma_s)
    for unit, total in delays.items():
        clock = sequence.clock_of(unit)
        low, high = rate_limits(clock)
        if clock.rate_sigma_ppm is None:
            widths.append(total * (high - low) / 2)
        else:
            sigmas.append(total * clock.rate_sigma_ppm * 1e-6)
    if start.sigma_s is None:
        widths.append((start.latest - start.earliest) / 2)
    else:
        sigmas.append(start.sigma_s)
    return Spread(whole.centre, tuple(widths), tuple(sigmas))


def _chain(sequence: Sequence, step: Step) -> list[Step] | None:
    """The steps from the start to this one, where each counts from one and has one unit."""
    chain = [step]
    while True:
        first = chain[-1]
        if len(first.unit_names) > 1 or len(first.after) > 1:
            return None
        if not first.after:
            return chain
        chain.append(sequence.step(first.after[0]))
