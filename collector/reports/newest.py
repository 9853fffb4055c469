"""The newest reading of each series of the lab."""

from collections.abc import Mapping

from collector.domain.lab import Lab, Series
from collector.domain.readings import StoredReading
from collector.store.reader import Reader


def newest_of(lab: Lab, series: Mapping[int, Series], reader: Reader) -> list[tuple[Series, StoredReading]]:
    """In the order of the lab's probes."""
    newest = reader.newest()
    by_key = {(one.probe, one.channel, one.place): one for one in series.values()}
    current = [by_key.get((p.id, c.key, p.place)) for p in lab.probes for c in p.channels]
    found = [(one, newest[one.id]) for one in current if one is not None and one.id in newest]
    return [
        (one, StoredReading(series=one.id, t_ms=last.t_ms, value=last.value, flag=last.flag, raw=None, why=last.why))
        for one, last in found
    ]
