"""A million messages, each with a SenML name nobody knows, from one probe at full rate while another reports.

`whole`: a million instead of a hundred thousand, and the same number of readings with made-up times after them.
"""

import tempfile
from pathlib import Path

from tests.security.siege import Siege, Toll


def measure(whole: bool) -> dict[str, float | int]:
    most = 1_000_000 if whole else 100_000
    with tempfile.TemporaryDirectory() as name:
        siege = Siege(Path(name))
        try:
            figures = _figures("names", siege.attack("names", most=most, seconds=600))
            if whole:
                figures |= _figures("readings", siege.attack("readings", most=most, seconds=600))
        finally:
            siege.close()
    return figures


def _figures(kind: str, toll: Toll) -> dict[str, float | int]:
    found = {
        "sent": toll.sent,
        "good": toll.good,
        "good_lost": toll.lost,
        "worst_delay_s": round(toll.worst_delay_s, 2),
        "caught_up_s": round(toll.caught_up_s, 2),
        "collector_mb": round(toll.collector_mb),
        "broker_mb": round(toll.broker_mb),
        "database_mb": round(toll.database_mb, 1),
    }
    rows = {name: toll.rows[name] for name in ("unplaced", "rejected")}
    return {f"{kind}_{key}": value for key, value in (found | rows).items()}
