"""Against a real database that takes the write API v2."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.config.log import UNHEARD
from collector.store.line_protocol import LabTags
from collector.store.reader import Reader
from collector.uplink.backfill import backfill
from collector.uplink.destination import Destination
from collector.uplink.follower import Follower
from collector.uplink.queue import UplinkStore
from collector.uplink.writer import InfluxWriter, Later
from tests.services.victoria import Victoria
from tests.uplink.lab_journal import HOUR, MIN, NOW, T0, add_readings, fill, opened

pytestmark = pytest.mark.service


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    with Victoria(tmp_path_factory.mktemp("victoria")) as running:
        yield running


def send_all(folder: Path, database: Victoria, origin: LabTags) -> Follower:
    writer = InfluxWriter(Destination(url=database.url, bucket="worms", timeout_s=10))
    with UplinkStore(folder / "traywarden.db") as store:
        follower = Follower(store, writer, origin, lambda: NOW + 100 * HOUR, UNHEARD)
        try:
            while follower.send_one():
                pass
        finally:
            writer.close()
    return follower


def test_readings_are_there_to_the_millisecond(tmp_path: Path, database: Victoria) -> None:
    """Each value at its time, once, whatever was sent twice; changes are there with their counts."""
    with opened(tmp_path) as journal:
        fill(journal)
    send_all(tmp_path, database, LabTags("Quillbrook"))
    expected = [(T0 + n * MIN, 20 + n / 100) for n in range(30)]
    key = ("Quillbrook", "juniper/top", "juniper-top")
    assert database.held('bedding_temperature_value{lab="Quillbrook"}')[key] == expected
    assert sum(map(len, database.held('alarm_count{lab="Quillbrook"}').values())) == 2
    assert sum(map(len, database.held('brew_count{lab="Quillbrook"}').values())) == 3
    writer = InfluxWriter(Destination(url=database.url, bucket="worms", timeout_s=10))
    with Reader(tmp_path / "traywarden.db") as reader:
        filled = backfill(reader, writer, LabTags("Quillbrook"), T0, T0 + HOUR, lambda: NOW)
    writer.close()
    assert (filled.lines, filled.refused) == (66, [])
    held = database.held('bedding_temperature_value{lab="Quillbrook"}')[key]
    assert [t for t, _ in sorted(set(held))] == [T0 + n * MIN for n in range(30)]


def test_an_outage_of_the_real_thing_is_filled_afterwards(tmp_path: Path) -> None:
    """Stopped, what comes meanwhile waits; started again, nothing is missing."""
    with Victoria(tmp_path / "v") as database, opened(tmp_path) as journal:
        add_readings(journal, range(10))
        send_all(tmp_path, database, LabTags("Quillbrook"))
        database.stop()
        add_readings(journal, range(10, 2_000))
        with pytest.raises(Later):
            send_all(tmp_path, database, LabTags("Quillbrook"))
        database.start()
        send_all(tmp_path, database, LabTags("Quillbrook"))
        (held,) = database.held("bedding_moisture_value").values()
        assert [t for t, _ in held] == [T0 + n * MIN for n in range(2_000)]


def test_three_labs_share_one_database(tmp_path: Path, database: Victoria) -> None:
    """Three journals into one bucket; each lab's readings are told apart by its tags."""
    for n, name in enumerate(("north", "south", "west")):
        folder = tmp_path / name
        folder.mkdir()
        with opened(folder) as journal:
            add_readings(journal, range(100 + n))
        send_all(folder, database, LabTags(f"lab {name}", "district"))
    held = database.held('bedding_temperature_value{site="district"}')
    counts = {key[0]: len(values) for key, values in held.items()}
    assert counts == {"lab north": 100, "lab south": 101, "lab west": 102}
