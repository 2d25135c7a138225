"""Claims against the hidden truth: what is false, as (kind, sentence)."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator

from faces import SKY, Claim
from truth import Site, Spans, Stage, Truth, passes

SLACK_S = 0.05
"""How far the truth's passes, read off a grid, may be from the program's search."""
ACROSS_S = 4.0
"""What the orbit's error across its track may take of a contact's end beside that along it."""
SMALL_S = 1e-3
"""Half of what a millisecond's rounding and a float of this century may do."""
Violation = tuple[str, str]


class Judge:
    """Judges what the faces say at one moment (instant, s)."""

    def __init__(self, truth: Truth, now: float) -> None:
        self.truth = truth
        self.now = now
        self.stages = {each.name: each for each in truth.stages}
        self.acts = {name: truth.expiries(name) for name in self.stages}

    def judge(self, claims: Iterable[Claim]) -> Iterator[Violation]:
        """What is false in them, each with the face that says it."""
        claims = list(claims)
        for claim in claims:
            for kind, what in self._false(claim, claims):
                told = "" if claim.value is None else f" {claim.value:.3f}"
                yield (
                    f"{claim.face}: {kind}",
                    f"{claim.step} at {self.now:.0f}: {claim.kind}{told} {claim.word}: {what}",
                )
        yield from self._untold(claims)
        yield from self._not_alerted(claims)
        yield from self._differences(claims)

    def _untold(self, claims: list[Claim]) -> Iterator[Violation]:
        """What is still to come is told, also its keep-clear; only a held countdown has no end."""
        if any(resumed is None for _, resumed in self.truth.holds):
            return
        told = {(claim.face, claim.kind, claim.step) for claim in claims}
        for name, acts in self.acts.items():
            if not acts or acts[0] <= self.now:
                continue
            for face in ("table", "json", "http", "page", "timeline"):
                if (face, "latest", name) not in told:
                    yield f"{face}: expiry not told", f"{name} expires at {acts[0]:.1f}"
                elif self.stages[name].clear and (face, "clear-to", name) not in told:
                    yield f"{face}: keep-clear not told", f"{name} expires at {acts[0]:.1f}"

    def _not_alerted(self, claims: list[Claim]) -> Iterator[Violation]:
        """The open alerts are what is the case: nothing that is so is without its alert."""
        opened = {(claim.step, claim.word) for claim in claims if claim.kind == "open"}
        for name in self.stages:
            json = {each.kind: each for each in claims if (each.face, each.step) == ("json", name)}
            if "latest" not in json or (json["latest"].value or 0.0) <= self.now:
                continue
            wanted = set()
            if "coverage" in json and json["coverage"].word != "covered":
                wanted.add(f"step-{json['coverage'].word.replace(' ', '-')}")
            if _cannot_stop(claims, name) and (name, "stop-by-passed") not in opened:
                wanted.add("no-stop-possible")
            if "stop-by" in json and self.now < (json["stop-by"].value or 0.0) < self.now + 3500:
                wanted.add("stop-by-coming")
            if "clear-to" in json and (json["clear-from"].value or math.inf) <= self.now:
                wanted.add("keep-clear-begins")
            for kind in sorted(wanted):
                if (name, kind) not in opened:
                    yield "alert: none of what is so", f"{name} at {self.now:.0f}: no {kind}"

    def _of_sky(self, claim: Claim) -> Iterator[Violation]:
        """Within the orbit's stated error of the true pass; nothing usable in an outage."""
        site = next(each for each in self.truth.sites if each.name == claim.word)
        told = claim.value
        assert told is not None
        if claim.kind == "usable":
            if any(begins < told < ends for begins, ends in site.outages):
                yield "usable in an outage", f"at {told:.0f}"
            return
        place = site.latitude_deg, site.longitude_deg
        # What is told is told of the elements; how far that is off is told beside it.
        foretold = passes(self.truth.orbit, *place, 5.0)
        if claim.kind.startswith("window"):
            foretold = self.truth.windows(site, "command", 0.0)
        ends = [each[claim.kind in ("los", "window-to")] for each in foretold]
        cuts = [end for outage in site.outages for end in outage]
        # A window may be cut by an outage or the prediction's end; a whole second is rounded off.
        far = min((abs(told - end) for end in [*ends, *cuts]), default=math.inf)
        missed = [end for name, a, b in self.truth.missed for end in (a, b) if name == site.name]
        if far > 1.0 + SLACK_S and not missed and self.inside(told):
            yield f"{claim.kind} that is not", f"the true one is {far:.1f} s away"

    def inside(self, at: float) -> bool:
        """Whether an instant is in the open part of what is predicted."""
        return self.now - 3600.0 < at < self.now + 8 * 3600.0

    def _false(self, claim: Claim, claims: list[Claim]) -> Iterator[Violation]:
        if claim.kind in (*SKY, "usable"):
            yield from self._of_sky(claim)
            return
        stage, acts = self.stages[claim.step], self.acts[claim.step]
        first = acts[0] if acts else None
        if claim.kind == "earliest" and first is not None and first < claim.value - SMALL_S:
            yield "expiry before its earliest", f"it expires at {first:.4f}"
        if claim.kind == "latest" and first is not None and first > claim.value + SMALL_S:
            yield "expiry after its latest", f"it expires at {first:.4f}"
        if claim.kind == "coverage" and first is not None:
            yield from self._of_coverage(claim, stage, first)
        if claim.kind == "stop-by":
            yield from self._of_stop(claim, stage)
        if claim.kind == "cannot-stop":
            yield from self._of_no_stop(claim, claims)
        if stage.clear is not None and first is not None:
            begins, ends = first - stage.clear[0], first + stage.clear[1]
            if claim.kind == "clear-from" and begins < claim.value - SMALL_S:
                yield "danger before keep-clear", f"it begins at {begins:.3f}"
            if claim.kind == "clear-to" and ends > claim.value + SMALL_S:
                yield "danger after keep-clear", f"it ends at {ends:.3f}"
            if claim.kind == "clear-now" and not claim.value and begins < self.now < ends:
                yield "danger not told", f"it lasts from {begins:.3f} to {ends:.3f}"
        if claim.kind == "open":
            yield from self._of_open(claim, claims)

    def _of_coverage(self, claim: Claim, stage: Stage, act: float) -> Iterator[Violation]:
        span = (act - stage.before_s, act + stage.after_s)
        if claim.word == "covered" and not self.truth.has(stage.service, *span, SLACK_S):
            yield "covered that is not", f"no {stage.service} all of {span[0]:.1f} to {span[1]:.1f}"
        if claim.word == "uncovered" and self.truth.has(stage.service, *span, -SLACK_S):
            yield "uncovered that is covered", f"{stage.service} from {span[0]:.1f}"

    def _stoppers(self, name: str) -> list[Stage]:
        """Steps whose stop stops this one."""
        return [
            each
            for each in self.truth.stages
            if each.lead_s is not None and self.truth._takes(each.name, name)
        ]

    def _of_stop(self, claim: Claim, _stage: Stage) -> Iterator[Violation]:
        """A stop sent at the told moment works in the true world."""
        sent = claim.value
        assert sent is not None
        if sent < self.now - SMALL_S and claim.face != "calendar":
            yield "stop-by that has passed", "it is told as if it were to come"
        if self.truth.started is None or not self.acts[claim.step]:
            return
        sites = [s for s in self.truth.sites if claim.word in ("", s.name)]
        for site in sites:
            received = sent + self.truth.light_s(site, sent)
            heard = any(
                a - SLACK_S <= received <= b + SLACK_S
                for a, b in self.truth.windows(site, "command")
            )
            for each in self._stoppers(claim.step):
                act = (self.acts[each.name] or [math.inf])[0]
                if heard and received + each.takes_effect_s + each.lead_s <= act + 2 * SMALL_S:
                    return
        yield "stop-by too late", "no stop sent then takes effect in time"

    def _of_no_stop(self, claim: Claim, claims: list[Claim]) -> Iterator[Violation]:
        """No stop is certain: not from any station, whatever the orbit within its bounds."""
        if claim.face == "alert" and not self.acts[claim.step]:
            return
        told = {
            each.step: each.value
            for each in claims
            if (each.face, each.kind) == ("json", "earliest")
        }
        bound = SLACK_S + (ACROSS_S if self.truth.timing_error_s else 0.0)
        for each in self._stoppers(claim.step):
            if each.name not in told or told[each.name] < self.now:
                continue
            limit = told[each.name] - each.takes_effect_s - each.lead_s - 1.0
            for site in self.truth.sites:
                for begins, ends in self._certain_windows(site):
                    if max(begins + bound, self.now) + 1.0 < min(ends - bound, limit):
                        yield "no stop that is possible", f"through {site.name}, {each.name}"
                        return

    def _certain_windows(self, site: Site) -> Spans:
        """Windows that a satellite as early, or as late, as is stated has as well."""
        error_s = self.truth.timing_error_s
        sets = [self.truth.windows(site, "command", late_s) for late_s in (-error_s, 0.0, error_s)]
        return [
            (max(a, b, c), min(x, y, z))
            for a, x in sets[0]
            for b, y in sets[1]
            for c, z in sets[2]
            if max(a, b, c) < min(x, y, z)
        ]

    def _of_open(self, claim: Claim, claims: list[Claim]) -> Iterator[Violation]:
        """An alert that waits says what is so."""
        json = {
            each.kind: each for each in claims if (each.face, each.step) == ("json", claim.step)
        }
        verdict = json["coverage"].word if "coverage" in json else ""
        if claim.word == "step-uncovered" and verdict != "uncovered":
            yield "open alert that is over", f"the step is now {verdict or 'without verdict'}"
        if claim.word == "step-at-risk" and verdict != "at risk":
            yield "open alert that is over", f"the step is now {verdict or 'without verdict'}"
        if claim.word == "stop-by-coming" and "stop-by" not in json:
            yield "open alert that is over", "it has no stop-by any more"
        if claim.word == "stop-by-passed" and "stop-by" in json:
            yield "open alert that is over", "a stop is certain still"
        if claim.word == "no-stop-possible" and not _cannot_stop(claims, claim.step):
            yield "open alert that is over", "a stop is possible"
        stopped = "earliest" not in json
        if stopped and claim.word not in ("keep-clear-ends", "step-expired"):
            yield "open alert that is over", "the step has no expiry any more"

    def _differences(self, claims: list[Claim]) -> Iterator[Violation]:
        """No two faces differ: whole seconds on the safe side of what JSON says."""
        told: dict[tuple[str, str], dict[str, Claim]] = defaultdict(dict)
        for claim in claims:
            told[claim.step, claim.kind].setdefault(claim.face, claim)
        for (step, kind), by in told.items():
            norm = by.get("json")
            if norm is None or kind in ("open", "clear-now", "usable", *SKY):
                continue
            for face, claim in by.items():
                if norm.value is None or claim.value is None:
                    if claim.word != norm.word:
                        yield f"{face}: another verdict", f"{step}: {claim.word}, not {norm.word}"
                    continue
                low = kind in ("earliest", "stop-by", "clear-from")
                far = claim.value - norm.value
                if not (-1.0 < far <= SMALL_S if low else -SMALL_S <= far < 1.0):
                    yield (
                        f"{face}: another {kind}",
                        f"{step} at {self.now:.0f}: {far:+.3f} s from what JSON says",
                    )
        for step, kind in {(c.step, c.kind) for c in claims if c.face == "json"}:
            if kind in ("stop-by", "clear-from", "coverage") and kind != "open":
                for face in ("http", "page", "timeline", "table"):
                    if face not in told[step, kind] and kind != "stop-by":
                        yield f"{face}: no {kind}", f"{step} at {self.now:.0f}"


def _cannot_stop(claims: list[Claim], step: str) -> bool:
    """Whether the forecast's table says that a step cannot be stopped; JSON does not say so."""
    return any(
        (each.face, each.kind, each.step) == ("table", "cannot-stop", step) for each in claims
    )
