"""Deliberate falsifications of the program: each must be found by the judged nights.

A falsification replaces parts of the program for as long as it is applied. The names of those parts
stand here; each has the seed of a night that shows it. ``simulate.py --falsify`` searches anew.
"""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from judge import Violation
from known import KNOWN
from nights import judged, kinds

from contactd.alerts.rules import steps
from contactd.core import planning, record
from contactd.core.contacts import coverage as contact_coverage
from contactd.core.intervals import EMPTY
from contactd.core.orbit.orbit_error import EXACT
from contactd.core.sequences import countdown, forecast, stopping
from contactd.core.sequences.model import Clock, Delay
from contactd.core.target import Target
from contactd.faces.cli import forecast_table
from contactd.faces.http.routes import outlooks
from contactd.mission import bodies
from contactd.mission.documents import contacts as contact_documents
from contactd.mission.timetext import NO_EARLIER, NO_LATER
from contactd.records import state

SEARCHED = 200
evaluate = importlib.import_module("contactd.alerts.evaluate")  # the package has a function


@cache
def honest(seed: int) -> list[Violation]:
    """A night of the program as it is."""
    return judged(seed)


@dataclass(frozen=True)
class Falsification:
    """One falsehood: (owner, attribute, maker of the false part from the true one)."""

    name: str
    seed: int  # of a night that shows it
    parts: tuple[tuple[Any, str, Callable[[Any], Any]], ...]

    @contextlib.contextmanager
    def applied(self) -> Iterator[None]:
        """The program says this falsehood in here."""
        before = [(owner, name, owner.__dict__[name]) for owner, name, _ in self.parts]
        try:
            for (owner, name, was), (_, _, make) in zip(before, self.parts, strict=True):
                setattr(owner, name, make(was))
            yield
        finally:
            for owner, name, was in before:
                setattr(owner, name, was)

    def shown_by(self, seed: int) -> set[str]:
        """The kinds of violation that a night shows with it, and no night shows without it."""
        honest(seed)
        with self.applied():
            return kinds(judged(seed)) - kinds(honest(seed)) - {*KNOWN, "refused"}

    def search(self, seeds: range = range(SEARCHED)) -> tuple[int, set[str]] | None:
        """The first seed that shows it."""
        for seed in seeds:
            shown = self.shown_by(seed)
            if shown:
                return seed, shown
        return None


def _with_terms(**changed: float) -> Callable[[Any], Any]:
    def make(was: Any) -> Any:
        return lambda self, terms, *rest: was(self, replace(terms, **changed), *rest)

    return make


def _first_kept(was: Any) -> Any:
    kept: dict[str, Any] = {}
    return lambda *given: [kept.setdefault(form["step"], form) for form in was(*given)]


def _stop_by_kept(was: Any) -> Any:
    kept: dict[str, Any] = {}

    def forms(*given: Any) -> Any:
        made = was(*given)
        for form in made:
            if form["stop_by"] is not None:
                form["stop_by"] = kept.setdefault(form["step"], form["stop_by"])
        return made

    return forms


def _keep_clear(before: float, after: float) -> Callable[[Any], Any]:
    def make(was: Any) -> Any:
        def of(step: Any, earliest: float, latest: float) -> Any:
            made = was(step, earliest, latest)
            if made is None or step.keep_clear is None:
                return made
            rule = step.keep_clear
            return made[0] + before * rule.before_s, made[1] - after * rule.after_s

        return of

    return make


def _believed(was: Any) -> Any:
    def learn(known: Any, entry: Any) -> Any:
        if entry.kind == record.COMMAND_SENT:
            entry = replace(entry, kind=record.SEQUENCE_STOPPED)
        return was(known, entry)

    return learn


def _halved(name: str, argument: int) -> Callable[[Any], Any]:
    def make(was: Any) -> Any:
        def state(*given: Any, **named: Any) -> Any:
            if name in named:
                named[name] /= 2
            elif len(given) > argument:
                given = (*given[:argument], given[argument] / 2, *given[argument + 1 :])
            return was(*given, **named)

        return state

    return make


def _narrowed(was: Any) -> Any:
    """Bounds drawn in to half their width."""

    def state(at: float, *rest: Any, **named: Any) -> Any:
        for name in ("earliest", "latest"):
            if named.get(name) is not None:
                named[name] = at + (named[name] - at) / 2
        return was(at, *rest, **named)

    return state


def _zero_property(_was: Any) -> Any:
    return property(lambda _self: 0.0)


def _no_outages(was: Any) -> Any:
    return lambda _outages, *rest: was(EMPTY, *rest)


def _at_once(was: Any) -> Any:
    def window(step: Any, *rest: Any) -> Any:
        rule = step.stop and replace(step.stop, takes_effect_s=0.0)
        return was(replace(step, stop=rule), *rest)

    return window


def _uncertain_commands(was: Any) -> Any:
    def window(step: Any, earliest: Any, commands: Any, *rest: Any) -> Any:
        loose = {name: replace(each, certain=each.possible) for name, each in commands.items()}
        return was(step, earliest, loose, *rest)

    return window


FALSIFICATIONS = (
    Falsification(
        "a contact in an outage told as usable", 40,
        ((contact_documents, "outage_of", lambda _: lambda *_: None),),
    ),
    Falsification(
        "an earliest rounded up", 0, ((forecast_table, "NO_LATER", lambda _: NO_EARLIER),)
    ),
    Falsification(
        "a latest rounded down", 0, ((forecast_table, "NO_EARLIER", lambda _: NO_LATER),)
    ),
    Falsification("the rate error ignored", 0, ((Clock, "rate_bound_ppm", _zero_property),)),
    Falsification("a delay's error ignored", 0, ((Delay, "error_bound_s", _zero_property),)),
    Falsification("an outage ignored", 40, ((contact_coverage, "_in_service", _no_outages),)),
    Falsification("a stop-by from before", 13, ((outlooks, "forecast_forms", _stop_by_kept),)),
    Falsification(
        "light time forgotten", 18, ((stopping, "light_time_of", lambda _: lambda *_: 0.0),)
    ),
    Falsification(
        "keep-clear's after dropped", 0,
        ((forecast, "keep_clear_of", _keep_clear(0, 1)),),
    ),
    Falsification(
        "keep-clear's before dropped", 0,
        ((forecast, "keep_clear_of", _keep_clear(1, 0)),),
    ),
    Falsification(
        "a missed contact counted", 36, ((planning, "without_missed", lambda _: lambda s, *_: s),)
    ),
    Falsification(
        "guard ignored", 0, ((contact_coverage.Sighted, "usable", _with_terms(guard_s=0.0)),)
    ),
    Falsification(
        "acquisition ignored", 0,
        ((contact_coverage.Sighted, "usable", _with_terms(acquisition_s=0.0)),),
    ),
    Falsification(
        "a held countdown runs on", 34,
        ((countdown.Countdown, "_held", lambda _: lambda _s, _o, span, *_: span),),
    ),
    Falsification(
        "a power loss ignored", 40,
        ((countdown.Countdown, "_reset", lambda _: lambda _s, o, span, *_: (o, span)),),
    ),
    Falsification("a lost command believed", 40, ((state, "learn", _believed),)),
    Falsification(
        "stops through possible windows", 7,
        ((forecast, "stop_windows", _uncertain_commands),),
    ),
    Falsification(
        "a reading's error halved", 69,
        ((bodies, "reading", _halved("error_s", 99)),),
    ),
    Falsification(
        "a start's error halved", 88,
        ((bodies, "start_observed", _narrowed),),
    ),
    Falsification(
        "the orbit's error ignored", 7,
        ((Target, "error_at", lambda _: lambda *_: EXACT),),
    ),
    Falsification("a stop takes effect at once", 18, ((forecast, "stop_windows", _at_once),)),
    Falsification(
        "an alert keeps the facts of when it was raised", 4,
        ((evaluate, "_change", lambda _: lambda *_: None),),
    ),
    Falsification(
        "an alert stays when its cause is gone", 0,
        ((evaluate, "_to_resolve", lambda _: lambda *_: []),),
    ),
    Falsification(
        "what is not covered is told to nobody", 0,
        ((steps, "_view_conditions", lambda _: lambda _each: iter(())),),
    ),
    Falsification(
        "one face shows a stale forecast", 0, ((outlooks, "forecast_forms", _first_kept),)
    ),
    Falsification(
        "the earlier of two taken for the later", 6,
        ((countdown.Span, "later", lambda _: countdown.Span.earlier),),
    ),
)  # fmt: skip
