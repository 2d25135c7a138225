"""Fleets worked on by other processes and by a Dask cluster: the same bits, and nothing lost."""

import os
import signal
import threading
import time

import numpy as np
import pytest
from orbits import EPOCH, geostationary, invented

from contactd.core.contacts.fleet import InThisProcess, can_compile, predict_fleet
from contactd.core.contacts.table import COLUMNS
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.service.executors import ProcessPool, executor_for

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(not can_compile(), reason="the extra 'fleet' is not installed"),
]

DAY = 86_400.0
STATIONS = [Station(f"station {n}", -60.0 + 17.0 * n, 40.0 * n, 0.0, 5.0) for n in range(8)]


def fleet(count=120):
    tracks = [
        Sgp4Track(
            invented(13.0 + 0.02 * n, 0.001, 30.0 + n, raan_deg=3.0 * n, mean_anomaly_deg=7.0 * n),
            f"Craft {n}",
        )
        for n in range(count)
    ]
    tracks.append(Sgp4Track(geostationary(10.0), "Always up"))
    tracks.append(Sgp4Track(invented(16.3, 5e-4, 60.0, bstar_per_earth_radius=5e-3), "Falling"))
    return tracks


def predicted(executor, compiled=True, days=2.0, count=120):
    return predict_fleet(
        fleet(count), STATIONS, EPOCH, EPOCH + days * DAY, executor, compiled=compiled
    )


def identical(one, other):
    assert [str(each) for each in one.problems] == [str(each) for each in other.problems]
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in COLUMNS)


def test_a_pool_of_processes_gives_the_same_bits():
    with ProcessPool(2) as pool:
        assert identical(predicted(pool), predicted(InThisProcess()))


def test_the_plain_path_too_gives_the_same_bits_in_a_pool():
    with ProcessPool(2) as pool:
        there = predicted(pool, compiled=False, days=0.2, count=30)
        here = predicted(InThisProcess(), compiled=False, days=0.2, count=30)
        assert identical(there, here)


def test_a_process_killed_in_the_middle_loses_nothing():
    with ProcessPool(2) as pool:
        victims = []

        def kill_one():
            while not victims:
                for process_id in pool.process_ids()[:1]:
                    time.sleep(0.5)  # it is importing or predicting by now
                    os.kill(process_id, signal.SIGKILL)
                    victims.append(process_id)
                time.sleep(0.01)

        killer = threading.Thread(target=kill_one)
        killer.start()
        table = predicted(pool, days=4.0)
        killer.join()
    assert victims
    assert identical(table, predicted(InThisProcess(), days=4.0))


@pytest.fixture
def cluster():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        silence_logs=50,
    ) as started:  # fmt: skip
        yield started


@pytest.mark.filterwarnings("default")
def test_a_cluster_of_two_workers_gives_the_same_bits_and_survives_the_loss_of_one(cluster):
    here = predicted(InThisProcess(), days=4.0)
    with executor_for(cluster.scheduler_address) as there:
        assert identical(predicted(there, days=4.0), here)
        worker = next(iter(cluster.workers.values()))
        process_id = worker.pid

        def kill():
            time.sleep(0.05)
            os.kill(process_id, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        table = predicted(there, days=4.0)
        killer.join()
        assert identical(table, here)


def test_a_configuration_names_the_executor():
    assert executor_for("here", 3).threads == 3
    assert executor_for("processes", 2).workers == 2
    with pytest.raises(ValueError, match="neither here"):
        executor_for("somewhere")
