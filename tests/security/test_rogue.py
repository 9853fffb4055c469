"""A real broker and a real collector under a probe that sends whatever it likes as fast as the socket takes it."""

from collections.abc import Iterator

import pytest

from tests.security.siege import Siege, Toll

pytestmark = [pytest.mark.service, pytest.mark.slow]
MOST = {
    "junk": 3_000,
    "names": 5_000,
    "topics": 2_000,
    "readings": 9_000,
    "crowded": 250,
    "times": 1_500,
    "nested": 300,
    "costly": 60,
    "stolen": 1_500,
    "controls": 1_500,
    "huge": 3,
}
"""Kind of attack -> messages: as many as pass the bounds of what is kept; `python -m tests.bench rogue` sends far more.
Measured on two busy cores with more of each: 0.3 to 0.9 s of delay, 67 to 90 MB, 8 MB of database."""
WORST_DELAY_S = 15.0
COLLECTOR_MB, BROKER_MB, DATABASE_MB = 130.0, 120.0, 24.0


@pytest.fixture(scope="module")
def siege(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Siege]:
    """One collector that all attacks of this file fall upon, one after the other."""
    besieged = Siege(tmp_path_factory.mktemp("siege"))
    yield besieged
    besieged.close()


@pytest.fixture(scope="module")
def tolls(siege: Siege) -> dict[str, Toll]:
    """What each attack cost, one after the other on the same collector."""
    return {kind: siege.attack(kind, most=most) for kind, most in MOST.items()}


def test_every_attack_is_carried_out_at_full_length(tolls: dict[str, Toll]) -> None:
    """No attack is a blank: all messages left, but the 10 MB ones, over which the broker ends the connection."""
    assert {kind: toll.sent for kind, toll in tolls.items()} == MOST
    assert sum(toll.sent_mb for toll in tolls.values()) > 45


def test_the_other_probe_is_heard_all_the_while(tolls: dict[str, Toll]) -> None:
    """Not one of its readings is lost, and each is in the journal within a bound, whatever the rogue does."""
    assert {kind: toll.lost for kind, toll in tolls.items() if toll.lost} == {}
    assert min(toll.good for toll in tolls.values()) > 0
    assert max(toll.worst_delay_s for toll in tolls.values()) < WORST_DELAY_S


def test_memory_stays_bounded(tolls: dict[str, Toll]) -> None:
    """Of the collector and of the broker."""
    assert max(toll.collector_mb for toll in tolls.values()) < COLLECTOR_MB
    assert max(toll.broker_mb for toll in tolls.values()) < BROKER_MB


def test_the_disk_stays_bounded(tolls: dict[str, Toll]) -> None:
    """What nobody claims or can read is 500 rows each; readings and alarm changes end at what one channel may bring,
    though 150,000 readings and 1,500 hot hours were sent."""
    assert sum(toll.database_mb for toll in tolls.values()) < DATABASE_MB
    for toll in tolls.values():
        assert toll.rows["unplaced"] <= 500
        assert toll.rows["rejected"] <= 500
    last = tolls["huge"].rows
    assert 100_000 <= last["readings"] < 3 * 100_000
    assert 2_000 <= last["alarm_history"] < 6_000
    assert last["outbox"] < 20


def test_the_collector_says_so_and_goes_on(siege: Siege, tolls: dict[str, Toll]) -> None:
    """It never stopped, met no mistake of its own, wrote a short log, and shows what it did not keep."""
    assert siege.watch.running
    assert "mistake in the program" not in siege.watch.log
    assert "Traceback" not in siege.watch.log
    assert len(siege.watch.log) < 5_000
    status = siege.watch.status()
    assert status["rejected"] > 4_000
    assert status["not_kept"]["too_many"] > 30_000
    assert f"not kept   {status['not_kept']['too_many']} readings" in siege.watch.run("status")
    assert siege.watch.stop() == 0
