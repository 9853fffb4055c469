"""A small run of the crash bench: kill -9 at random moments, of the collector, the broker or both."""

import pytest

from tests.bench import crash

pytestmark = [pytest.mark.service, pytest.mark.slow]


def test_what_kills_lose_and_what_they_do_not() -> None:
    """Five kills while readings come in: the broker in the first second of a session, the collector twice, the broker,
    both. The collector's lose nothing; a broker's never what was saved. What both lose was taken since the last save.
    Nothing is stored or told twice, also not what carries no time, and each change of the alarm that was recorded is in
    one message. The broker forgets the collector at most where it was killed before it could save the session."""
    found = crash.run(packs=4_000, kills=5, seed=20_260_302)
    assert found["sent"] == 13_000
    assert found["timeless"] == 1_000
    assert found["new_sessions"] <= 1
    never = ("lost_collector", "lost_though_saved", "stored_twice", "told_twice", "never_told")
    assert {name: found[name] for name in never} == dict.fromkeys(never, 0)
    assert found["lost_before_kill_s"] <= 2 * crash.AUTOSAVE_S
    assert found["told"] > 0
