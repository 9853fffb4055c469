"""The broker killed with -9, as a power cut does it: what comes again is known, and what it forgot is told."""

import sqlite3
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from collector.intake.session import LinkNews, LinkState
from collector.store.vocabulary import LINK_IS_DOWN, LINK_IS_UP, EventKind, MetaKey
from collector.store.watch_state import WatchState
from collector.watch.forgotten import Forgotten, ask_to_save, linked_until_ms
from tests.services.mosquitto import Mosquitto
from tests.services.saved_sessions import SavedSessions
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

_LOST = LinkNews(LinkState.DOWN, "gone")
_NEW = LinkNews(LinkState.UP, "there")
_KEPT = LinkNews(LinkState.UP, "there", kept=True)
T0 = 1_772_438_400_000
DAY = 86_400_000


@pytest.fixture
def broker(tmp_path: Path) -> Mosquitto:
    return Mosquitto(tmp_path / "broker")


def _ask(watch: Watch, query: str, *values: object) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"{(watch.home / 'traywarden.db').as_uri()}?mode=ro", uri=True)) as db:
        return db.execute(query, values).fetchall()


def _timeless(number: int) -> str:
    return f'[{{"bn":"urn:dev:mac:1:","n":"temperature","u":"Cel","v":{20 + number / 64}}}]'


def _kill(broker: Mosquitto, watch: Watch) -> None:
    broker.kill(saved=False)
    before = watch.log.count(" connected, ")
    broker.start()
    wait_until(lambda: watch.log.count(" connected, ") > before, "the link again", 40)


@pytest.mark.service
def test_readings_without_a_time_from_the_file_of_the_broker_are_stored_once(broker: Mosquitto, tmp_path: Path) -> None:
    """Sixty waited while the collector was away and stood in the broker's file: no kill stores one again."""
    with broker:
        watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": broker.port}).start()
        watch.stop()
        broker.publish_lines("worms/juniper/top", [_timeless(number) for number in range(60)])
        broker.save()
        watch.start()
        for kill in range(1, 3):
            wait_until(lambda: watch.status()["readings"] >= 60, "the readings")
            _kill(broker, watch)
            broker.publish("worms/juniper/top", hot_pack(T0 // 1000 + kill, 21.0))
            behind = partial(_ask, watch, "SELECT 1 FROM readings WHERE t = ?", T0 + kill * 1000)
            wait_until(behind, "what came behind", 30)
        watch.stop()
        assert _ask(watch, "SELECT count(*) FROM readings WHERE t > ?", T0 + 3_600_000) == [(60,)]


@pytest.mark.service
def test_a_broker_that_forgot_us_is_told(broker: Mosquitto, tmp_path: Path) -> None:
    """Killed before it ever saved our session: a line in the log, an event, and the time since then is watched. The
    first connection of all is none."""
    with broker:
        watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": broker.port}).start()
        query = "SELECT detail FROM events WHERE kind = ?"
        assert _ask(watch, query, EventKind.NEW_SESSION) == []
        _kill(broker, watch)
        wait_until(lambda: _ask(watch, query, EventKind.NEW_SESSION), "the event")
        broker.save()
        _kill(broker, watch)
        watch.stop()
        [(detail,)] = _ask(watch, query, EventKind.NEW_SESSION)
        assert str(detail).startswith("the broker had forgotten us: what was published after 2")
        assert watch.log.count(str(detail)) == 1


@pytest.mark.service
def test_a_session_that_just_began_is_saved_and_survives_a_kill(broker: Mosquitto, tmp_path: Path) -> None:
    """Killed seconds after the very first connection, long before the broker saves by itself: what it confirms
    before the collector is back waits for it, and the session is known."""
    home = make_home(tmp_path / "home")
    with broker, SavedSessions(home, broker):
        watch = Watch(home, {"MQTT__PORT": broker.port}).start()
        wait_until(lambda: broker.saved_ago_s() < 60, "the session to be saved")
        broker.kill(saved=False)
        watch.kill()
        broker.start()
        broker.publish_lines("worms/juniper/top", [hot_pack(T0 // 1000 + number, 21.0) for number in range(60)])
        watch.start()
        wait_until(lambda: _ask(watch, "SELECT count(*) FROM readings WHERE t < ?", T0 + DAY) == [(120,)], "all")
        watch.stop()
        assert _ask(watch, "SELECT count(*) FROM events WHERE kind = ?", EventKind.NEW_SESSION) == [(0,)]


@pytest.mark.service
def test_each_session_that_begins_anew_is_saved(broker: Mosquitto, tmp_path: Path) -> None:
    """Also where the broker has lost its file; a session that was kept asks for no save."""
    home = make_home(tmp_path / "home")
    with broker, SavedSessions(home, broker):
        watch = Watch(home, {"MQTT__PORT": broker.port}).start()
        wait_until(lambda: broker.saved_ago_s() < 60, "the first save")
        asked = (home / "traywarden.new-session").read_text(encoding="ascii")
        _kill(broker, watch)
        assert watch.log.count("session resumed") == 1
        assert (home / "traywarden.new-session").read_text(encoding="ascii") == asked
        broker.stop()
        (broker.folder / "mosquitto.db").unlink()
        broker.start()
        wait_until(lambda: watch.log.count("new session") == 2, "the link again", 40)
        wait_until(lambda: broker.saved_ago_s() < 60, "the second save")
        _kill(broker, watch)
        watch.stop()
        assert watch.log.count("session resumed") == 2


def test_where_it_cannot_be_asked_for_that_is_said(tmp_path: Path) -> None:
    """One line with what comes of it; the collector goes on."""
    assert ask_to_save(tmp_path / "there", T0) == ""
    assert (tmp_path / "there").read_text(encoding="ascii") == "2026-03-02T08:00:00Z\n"
    said = ask_to_save(tmp_path / "no" / "folder", T0)
    assert said.endswith(
        "folder: No such file or directory; a kill of the broker before its next save makes it forget us"
    )


def test_only_a_broker_that_knew_us_can_forget() -> None:
    """Never linked before: nothing to tell. Lost at 5 s and new at 9 s: since 5 s. A kept session: nothing."""
    first = Forgotten(None)
    assert [first.heard(news, T0 + at) for at, news in enumerate((_LOST, _NEW, _LOST, _LOST, _KEPT))] == [""] * 5
    assert first.heard(_LOST, T0 + 5_000) == first.heard(_LOST, T0 + 7_000) == ""
    assert first.heard(_NEW, T0 + 9_000).endswith("after 2026-03-02T08:00:05Z may be lost")
    assert first.heard(_NEW, T0 + 11_000).endswith("after 2026-03-02T08:00:09Z may be lost")


def test_an_earlier_run_was_linked_until_it_was_lost_or_gave_its_last_sign() -> None:
    """From the journal's last word on the link, and the sign of life of a run that was killed while linked."""
    up, down = ({str(MetaKey.LINK): state, str(MetaKey.LINK_MS): str(T0)} for state in (LINK_IS_UP, LINK_IS_DOWN))
    later = WatchState(alive_ms=T0 + 60_000)
    assert linked_until_ms({}, later) is None
    assert linked_until_ms(up, None) == linked_until_ms(down, later) == T0
    assert linked_until_ms(up, later) == T0 + 60_000
