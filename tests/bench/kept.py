"""Figures that are kept, and the pages that show them.

`python -m tests.bench NAME --whole --keep` writes what it measured into `deploy/figures/NAME.json`, and the tables of
the pages anew. A test holds that tables and sentences say what is kept.
"""

import json
import os
import platform
import re
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "deploy" / "figures"

ROWS = (
    (
        "intake",
        "backlog of {messages:,} QoS 1 packs of three records drained, against a subscriber that does nothing",
        "{pipeline_per_s:,} against {bare_per_s:,} packs a second: {ratio:.2f}",
    ),
    (
        "latency",
        "reading published to mail handed over, on-delay 0",
        "half within {p50_s:.3f} s, 99 % within {p99_s:.3f} s",
    ),
    (
        "replay",
        "a year of {series} one-minute series through quality checks and {rules} rules, on one core",
        "{readings:,} readings, {readings_per_s:,} a second",
    ),
    (
        "startup",
        "a command from its start to its end: `--help`, `status`, `diary add`, and Python by itself",
        "{help_s:.2f} s, {status_s:.2f} s, {diary_add_s:.2f} s, {empty_s:.2f} s",
    ),
    ("memory", "resident memory of `watch` with a week of readings behind it", "{rss_mb:.0f} MB"),
    (
        "large",
        "start with 24 channels that have reported each second: {fast_readings:,} readings behind it",
        "connected after {fast_start_s:.0f} s, {fast_peak_mb:.0f} MB at most",
    ),
    (
        "large",
        "start with {probes:,} probes in lab.yaml, each with a topic of its own",
        "connected after {many_start_s:.0f} s, {many_peak_mb:.0f} MB at most",
    ),
    (
        "writes",
        "written to disk in a day, 24 single readings a minute",
        "{mb_per_day:.0f} MB; with a commit for each reading it would be {mb_per_day_one_commit_each:.0f} MB",
    ),
    (
        "broker_saves",
        "written to disk by the broker in a day, saving every minute, 24 messages a minute",
        "{mb_per_day_60_s:.0f} MB; {gb_first_day_away_60_s:.1f} GB on a first day all without the collector",
    ),
    (
        "install",
        "INSTALL.md walked on a clean Debian 12 in a container, packages at hand",
        "installed in {install_s:.0f} s; a hung collector runs again after {watchdog_3s_to_running_s:.0f} s under a"
        " watchdog of 3 s; exposure {exposure} of 10 (`systemd-analyze security`)",
    ),
    (
        "crash",
        "{sent:,} readings over {kills} times `kill -9`, of the collector ({killed_collector}), the broker"
        " ({killed_broker}) and both ({killed_both}), {full_disks} full disks, {mail_outages} mail outages; the broker"
        " saves every {autosave_s} s",
        "{lost_collector} lost by the collector, {lost_broker:,} by the broker, {lost_both:,} by both, all confirmed"
        " within {lost_before_kill_s:.1f} s before the kill or during it; {lost_though_saved} of them saved;"
        " {lost_new_session:,} more by a broker killed in the first second of a session; {stored_twice} stored twice,"
        " {told_twice} told twice;"
        " {unconfirmed} of {messages} messages cut off while handed over, marked unconfirmed",
    ),
    (
        "rogue",
        "a probe gone mad beside a good one: a million made-up names, then a million readings with made-up times",
        "{readings_good_lost} good readings lost, longest wait {names_worst_delay_s:.0f} s; collector"
        " {names_collector_mb:.0f} MB, broker {names_broker_mb:.0f} MB, database {names_database_mb:.0f} MB",
    ),
    ("uplink", "readings sent to another database by one core", "{readings_per_cpu_s:,} a second of its time"),
    ("uplink", "on the wire, compressed, in full portions", "{wire_bytes} bytes a reading"),
    ("uplink", "in the lab's own journal", "{journal_bytes} bytes a reading"),
    (
        "uplink",
        "in the other database",
        "{far_bytes:.0f} bytes a reading (real readings compress less than invented ones)",
    ),
)
"""(bench, what was measured, the figure); the names in braces are keys of what the bench prints."""

SENTENCES = (
    ("deploy/SMALL-BOARD.md", "writes", "**{mb_per_day:.0f} MB a day**"),
    ("deploy/SMALL-BOARD.md", "uplink", "{journal_bytes} bytes a reading"),
    ("deploy/UPLINK.md", "uplink", "{wire_bytes} bytes a reading"),
    ("deploy/THREATS.md", "rogue", "waited {names_worst_delay_s:.0f} s at most"),
    ("rules/SCORE.md", "scenarios", "Of {harms} harms {in_time} were told in time, {late} late, {missed} not at all."),
    (
        "rules/SCORE.md",
        "scenarios",
        "On the seeds kept aside: {aside_harms}, {aside_in_time}, {aside_late} and {aside_missed}.",
    ),
    ("rules/SCORE.md", "scenarios", "off by {water_off_pct:.0f} % in the middle"),
)
"""(page, bench, words that stand in it)."""


def keep(name: str, figures: Mapping[str, Any], whole: bool) -> None:
    """Write what was measured, and the tables anew. What lacks a figure that a page shows is not kept: a short run has
    not all of them."""
    shown = [
        text for bench, *texts in (*ROWS, *((one[1], one[2]) for one in SENTENCES)) if bench == name for text in texts
    ]
    try:
        for text in shown:
            text.format(**figures)
    except KeyError as missing:
        raise SystemExit(f"{name}: not kept: {missing} is shown on a page and was not measured; add --whole") from None
    found = {
        "taken": time.strftime("%Y-%m-%d", time.gmtime()),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}",
        "whole": whole,
        "figures": dict(figures),
    }
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    for page in TABLES:
        path = ROOT / page
        path.write_text(with_table(path.read_text(encoding="utf-8"), TABLES[page]()), encoding="utf-8")


def kept(name: str) -> dict[str, Any]:
    """`taken`, `machine`, `whole` and `figures` of a bench."""
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return found


def figures_table() -> str:
    """What stands in deploy/FIGURES.md."""
    return "\n".join(_figures_lines())


def _figures_lines() -> Iterator[str]:
    yield "| what | figure | bench | taken |"
    yield "|---|---|---|---|"
    for name, what, figure in ROWS:
        if not (FOLDER / f"{name}.json").exists():
            continue  # not measured yet
        found = kept(name)
        values, short = found["figures"], "" if found["whole"] else " (short)"
        yield f"| {what.format(**values)} | {figure.format(**values)} | `{name}`{short} | {found['taken']} |"


def score_table() -> str:
    """What stands in rules/SCORE.md: each scenario on the seeds that rules were tuned on, and (in brackets) aside."""
    return "\n".join(_score_lines())


def _score_lines() -> Iterator[str]:
    yield "| scenario | harms | told in time | needless messages a lab-month | median lead, h |"
    yield "|---|---|---|---|---|"
    found = kept("scenarios")["figures"]
    for name, one in found["each"].items():
        aside = found["aside_each"][name]
        cells = [f"{_cell(one[key])} ({_cell(aside[key])})" for key in _SCORED]
        yield f"| `{name}` | {' | '.join(cells)} |"


_SCORED = ("harms", "in_time", "needless_per_month", "median_lead_h")


def _cell(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}".removesuffix(".0")


TABLES = {"deploy/FIGURES.md": figures_table, "rules/SCORE.md": score_table}
_PLACE = re.compile(r"(?<=<!-- table -->\n).*?(?=<!-- end of table -->)", re.DOTALL)


def with_table(page: str, table: str) -> str:
    """The page with the table in the place marked for it."""
    return _PLACE.sub(lambda _: f"{table}\n", page, count=1)
