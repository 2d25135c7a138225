"""Where a target's motion comes from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from contactd.core.instants import from_text
from contactd.core.orbit import parse_omm
from contactd.core.orbit.manoeuvres import Manoeuvre
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.source import OrbitSource
from contactd.core.orbit.states import Spacecraft, StateVector

DATA = Path(__file__).parents[2] / "reference" / "data"
(MEAN,) = parse_omm((DATA / "S03.omm").read_text())
NOW = from_text("2024-03-09T00:20:00Z")
SPAN = (NOW - 3600.0, NOW + 20_000.0)
_R, _V = Sgp4Track(MEAN).states(np.array([MEAN.epoch]))
STATE = StateVector(MEAN.epoch, tuple(_R[0]), tuple(_V[0]))


def place(source: OrbitSource, instant: float) -> np.ndarray:
    track = source.track("Lantern 3", NOW, SPAN)
    assert track is not None
    assert track.name == "Lantern 3"
    return track.states(np.array([instant]))[0][0]


def test_elements_ephemeris_and_state_of_one_orbit_are_at_one_place() -> None:
    at = NOW + 60.0
    by_elements = place(OrbitSource(elements=(MEAN,)), at)
    by_ephemeris = place(OrbitSource(ephemeris=parse_oem((DATA / "S03.oem").read_text())), at)
    by_state = place(OrbitSource(state=STATE), at)
    assert by_ephemeris == pytest.approx(by_elements, abs=1e-3)
    assert by_state == pytest.approx(by_elements, abs=2.0)


def test_without_data_there_is_no_track() -> None:
    assert not OrbitSource()
    assert OrbitSource(state=STATE)
    assert OrbitSource().track("x", NOW, SPAN) is None
    assert OrbitSource().fan("x", NOW, SPAN) is None
    assert OrbitSource().epoch(NOW) is None


def test_a_manoeuvre_before_the_span_but_after_the_epoch_still_counts() -> None:
    push = Manoeuvre(MEAN.epoch + 100.0, (0.0, 5.0, 0.0))
    late_span = (MEAN.epoch + 5000.0, MEAN.epoch + 9000.0)
    at = np.array([MEAN.epoch + 8000.0])
    for kind in ({"elements": (MEAN,)}, {"state": STATE}):
        with_push = OrbitSource(**kind, manoeuvres=(push,)).track("x", NOW, late_span)
        without = OrbitSource(**kind).track("x", NOW, late_span)
        assert with_push is not None
        assert without is not None
        assert np.linalg.norm(with_push.states(at)[0] - without.states(at)[0]) > 20.0


def test_a_manoeuvre_before_the_epoch_is_in_the_data_already() -> None:
    push = Manoeuvre(MEAN.epoch - 100.0, (0.0, 5.0, 0.0))
    source = OrbitSource(elements=(MEAN,), manoeuvres=(push,))
    assert isinstance(source.track("x", NOW, SPAN), Sgp4Track)


def test_a_fan_opens_only_where_something_is_uncertain() -> None:
    sure = Manoeuvre(NOW, (0.0, 5.0, 0.0))
    assert OrbitSource(elements=(MEAN,), manoeuvres=(sure,)).fan("x", NOW, SPAN) is None
    loose = Manoeuvre(MEAN.epoch + 10.0, (0.0, 5.0, 0.0), give_or_take_s=300.0)
    for kind in ({"elements": (MEAN,)}, {"state": STATE}):
        found = OrbitSource(**kind, manoeuvres=(loose,)).fan("x", NOW, SPAN)
        assert found is not None
        assert len(found.members) == 3
        for _, track in found.members:
            assert not np.isnan(track.states(np.array([NOW]))[0]).any()


def test_a_manoeuvre_that_may_slip_past_the_end_of_the_plan_has_all_its_versions() -> None:
    late = Manoeuvre(SPAN[1] - 10.0, (0.0, 5.0, 0.0), give_or_take_s=30_000.0)
    early = Manoeuvre(SPAN[1] + 10.0, (0.0, 5.0, 0.0), give_or_take_s=3000.0)
    for push in (late, early):
        found = OrbitSource(state=STATE, manoeuvres=(push,)).fan("x", NOW, SPAN)
        assert found is not None
        assert len(found.members) == 3


def test_a_plan_that_rolls_forward_does_not_integrate_anew() -> None:
    source = OrbitSource(state=STATE)
    first = source.track("x", NOW, SPAN)
    assert source.track("x", NOW + 60.0, (SPAN[0] + 60.0, SPAN[1] + 60.0)) is first
    far = source.track("x", NOW, (SPAN[0], SPAN[1] + 86_400.0))
    assert far is not first
    at = np.linspace(*SPAN, 50)
    assert np.abs(far.states(at)[0] - first.states(at)[0]).max() < 1e-6


def test_data_grow_stale_from_their_own_epoch() -> None:
    assert OrbitSource(elements=(MEAN,)).epoch(NOW) == MEAN.epoch
    assert OrbitSource(state=STATE).epoch(NOW) == STATE.epoch
    ephemeris = parse_oem((DATA / "S03.oem").read_text())
    assert OrbitSource(ephemeris=ephemeris).epoch(NOW) == from_text("2024-03-09T00:10:00Z")


def test_the_digest_follows_the_motion_and_nothing_else() -> None:
    text = (DATA / "S03.oem").read_text()
    push = Manoeuvre(NOW, (0.0, 5.0, 0.0))
    sources = [
        OrbitSource(elements=(MEAN,)),
        OrbitSource(elements=(MEAN,), manoeuvres=(push,)),
        OrbitSource(elements=(MEAN,), manoeuvres=(replace(push, give_or_take_s=1.0),)),
        OrbitSource(ephemeris=parse_oem(text)),
        OrbitSource(ephemeris=parse_oem(text.replace("-2374.111558", "-2374.111559"))),
        OrbitSource(state=STATE),
        OrbitSource(state=STATE, spacecraft=Spacecraft(drag_area_m2=1.0)),
    ]
    assert len({each.digest() for each in sources}) == len(sources)
    assert sources[3].digest() == OrbitSource(ephemeris=parse_oem(text)).digest()
    # Without numerical propagation nobody asks for the spacecraft.
    heavy = OrbitSource(elements=(MEAN,), spacecraft=Spacecraft(mass_kg=900.0))
    assert heavy.digest() == sources[0].digest()
    exact = replace(MEAN, epoch=np.float64(MEAN.epoch))
    assert OrbitSource(elements=(exact,)).digest() == sources[0].digest()
