"""A past of thirty days in one home, made by the collector's own pipeline from invented probes.

Quillbrook School, February 2026. Maple's top tray stands beside a radiator that switches on and off all morning, so its
temperature goes to and fro across 27 degC, on Tuesdays well past it; the rules of the lab ask to hear of it at once.
The moisture probe of Juniper's top tray reads low for half an hour when the blanket is lifted. Juniper's bottom tray is
cool over one long weekend. The tray in between is well.

    python -m tests.cli.months FOLDER       makes such a home
"""

import math
import random
import sys
from collections.abc import Callable
from pathlib import Path

from collector.config.home import Home
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.store.journal import Journal
from collector.store.requests import Acknowledge
from tests.worlds.texts import bedding, lab_text, probe_text

START_MS = 1_769_904_000_000
"""2026-02-01T00:00:00Z, a Sunday."""
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
EVERY_MS = 5 * MINUTE_MS
DAYS = 30
END = "2026-03-03T00:00Z"
START_TEXT = "2026-02-01T00:00Z"

_DEGREES = bedding(named="", model="ds18b20")
LAB = lab_text(
    *(
        probe_text(place, channel, format="number", more="every: 5 min")
        for place, channel in (
            ("maple/top", _DEGREES),
            ("juniper/top", bedding("moisture", '"%"', named="")),
            ("juniper/middle", _DEGREES),
            ("juniper/bottom", _DEGREES),
        )
    )
)

SITE = """\
# What this lab changes about the rules that ship.
alarms:

  bedding-warm:
    deadband: 0.1 degC
    on_delay: 0 s
    off_delay: 0 s
"""

JUDGED_BY = ("bedding-warm", "bedding-hot", "bedding-cool", "bedding-drying", "bedding-dry", "probe-silent")
"""The alarms in force in that month, whatever else ships by now."""

Probe = Callable[[int], float]


def _maple_top(t_ms: int) -> float:
    """Near 27 degC around 11 on school days, well above on Tuesdays; a radiator goes on and off every 15 minutes."""
    hour, day = t_ms / HOUR_MS % 24, (t_ms - START_MS) // DAY_MS
    school = day % 7 in (1, 2, 3, 4, 5)
    warm = (3.6 if day % 7 == 2 else 2.4) * math.exp(-(((hour - 11) / 2.5) ** 2)) if school else 0.0
    radiator = 0.25 if t_ms // EVERY_MS % 3 == 0 else -0.15
    return 24.6 + warm + radiator


def _juniper_top(t_ms: int) -> float:
    """Moist; from 13:00 on every third day the probe stands in the air for half an hour."""
    lifted = 13 * HOUR_MS <= t_ms % DAY_MS < 13.5 * HOUR_MS and (t_ms // DAY_MS) % 3 == 0
    return 68.5 if lifted else 77.0


def _juniper_middle(_t_ms: int) -> float:
    return 20.5


def _juniper_bottom(t_ms: int) -> float:
    """Cool from a Friday evening to the Monday."""
    return 10.5 if 18 <= (t_ms - START_MS) / DAY_MS - 19 / 24 < 20.5 else 19.0


PROBES: dict[str, Probe] = {
    "worms/maple/top": _maple_top,
    "worms/juniper/top": _juniper_top,
    "worms/juniper/middle": _juniper_middle,
    "worms/juniper/bottom": _juniper_bottom,
}


def make_month(folder: Path, days: int = DAYS, lab: str = LAB, site: str = SITE) -> Path:
    """The home, with lab.yaml, rules/site.yaml and a journal of `days` days."""
    (folder / "rules").mkdir(parents=True)
    (folder / "lab.yaml").write_text(lab, encoding="utf-8")
    (folder / "rules" / "site.yaml").write_text(site, encoding="utf-8")
    home, noise = Home(folder), random.Random(1)  # noqa: S311 - invented readings
    with Journal(home.database, "UTC", START_MS) as journal:
        found, rules = home.load_lab(), [rule for rule in home.load_rules() if rule.name in JUDGED_BY]
        pipeline = build_pipeline(found, rules, journal, Outlet(), START_MS)
        pipeline.link_changed(True, START_MS, "")
        for t_ms in range(START_MS, START_MS + days * DAY_MS, EVERY_MS):
            for topic, probe in PROBES.items():
                value = round((probe(t_ms) + noise.gauss(0, 0.04)) * 16) / 16
                pipeline.intake.accept(IncomingMessage(topic=topic, payload=str(value).encode()), t_ms)
            if t_ms % HOUR_MS:
                continue  # an hour is judged at once: in whatever chunks readings come, alarms are the same
            pipeline.settle(t_ms)
            pipeline.tick(t_ms - 5_000)
            if t_ms % DAY_MS == 12 * HOUR_MS:
                pipeline.order(Acknowledge(rule="bedding-warm", place="maple/top", by="teacher"), t_ms)
            journal.commit(pipeline.batch, t_ms)
            pipeline.start_batch()
            journal.tidy(t_ms)
        pipeline.settle(START_MS + days * DAY_MS)
        journal.commit(pipeline.batch, START_MS + days * DAY_MS)
    return folder


if __name__ == "__main__":
    make_month(Path(sys.argv[1]))
