"""A small run of the crash bench: kill -9 at random moments, with a restarted broker, a full disk and mail outages."""

import pytest

from tests.bench import crash

pytestmark = [pytest.mark.service, pytest.mark.slow]


def test_no_reading_is_lost_and_no_message_repeated_over_kills() -> None:
    """18,000 readings over four kills: all stored, each once, each change of the alarm in one message."""
    found = crash.run(packs=6_000, kills=4, seed=20_260_302)
    assert found["sent"] == 18_000
    assert {name: found[name] for name in ("lost", "stored_twice", "told_twice", "never_told")} == {
        "lost": 0,
        "stored_twice": 0,
        "told_twice": 0,
        "never_told": 0,
    }
    assert found["told"] > 0
