"""What `checkup` says of the collector's own alarms: beside one that stands, not all is good."""

from collections.abc import Iterator

from collector.alarms.model import LINK_SERIES
from collector.cli.checkup.checks import Finding, fix
from collector.cli.common import lab_or_none
from collector.cli.local import local_of
from collector.cli.status.values import alarm_row
from collector.config.home import Home
from collector.domain.own_series import COLLECTOR
from collector.domain.problems import Refused
from collector.store.errors import StoreError
from collector.store.reader import Reader

_OWN_PLACES = (COLLECTOR, LINK_SERIES.place)


def check_own_alarms(home: Home) -> Iterator[Finding]:
    """Each alarm about the collector itself that stands, acknowledged or not, with what to do. Nothing where there is
    no journal to look at, which `check_journal` says."""
    local = local_of(lab_or_none(home))
    try:
        with Reader(home.database) as reader, reader.snapshot():
            series = {stored.id: stored for stored in reader.series()}
            rows = [alarm_row(held, series, local.timed) for held in reader.alarms()]
    except StoreError:
        return
    actions = _actions(home)
    for row in rows:
        if row["standing"] and row["at"] in _OWN_PLACES:
            to_do = f"; {actions[row['name']]}" if row["name"] in actions else ""
            yield fix("alarm", f"{row['name']} stands since {row['since']}{to_do}")


def _actions(home: Home) -> dict[str, str]:
    """What each alarm says to do; nothing where the rules cannot be used, which `check_files` says."""
    try:
        return {rule.name: rule.corrective_action for rule in home.load_rule_set().rules}
    except Refused:
        return {}
