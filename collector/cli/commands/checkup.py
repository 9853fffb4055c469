"""`traywarden checkup`: try every part against the real thing, say what to fix."""

import argparse
from itertools import chain

from collector.cli.checkup.alarms import check_own_alarms
from collector.cli.checkup.checks import (
    Verdict,
    check_board,
    check_broker,
    check_files,
    check_journal,
    check_mail,
    check_people,
    check_uplink,
)
from collector.cli.checkup.home import check_home
from collector.cli.checkup.reach import check_heartbeat, check_reach, check_topics
from collector.cli.checkup.send import check_send
from collector.cli.common import home_of
from collector.cli.output import say, say_json
from collector.cli.parsing import takes
from collector.config.clock import system_now
from collector.config.settings import load_settings


def add(parser: argparse.ArgumentParser) -> None:
    takes(parser, "traywarden checkup --home ~/traywarden", run, listing=True)
    parser.add_argument("--send", action="store_true", help="also send everyone a test and say what was answered")


def run(arguments: argparse.Namespace) -> int:
    home, settings = home_of(arguments), load_settings()
    checks = chain(
        check_files(home, system_now()),
        check_home(home),
        check_people(home, settings),
        check_reach(home, settings),
        check_topics(home, settings),
        check_journal(home, system_now()),
        check_own_alarms(home),
        check_broker(home, settings),
        check_mail(home, settings),
        check_board(settings),
        check_uplink(settings, system_now()),
        check_heartbeat(home, settings, system_now()),
        check_send(home, settings, system_now()) if arguments.send else (),
    )
    findings = []
    for finding in checks:
        findings.append(finding)
        if not arguments.json:
            say(f"{finding.verdict.value:<5} {finding.part:<9} {finding.text}")
    to_fix = sum(finding.verdict is Verdict.FIX for finding in findings)
    if arguments.json:
        say_json([{"verdict": f.verdict.value, "part": f.part, "text": f.text} for f in findings])
    else:
        say(f"{to_fix} to fix" if to_fix else "all good")
    return 1 if to_fix else 0
