"""The newest reading of each series of the lab."""

from collections.abc import Mapping

from collector.domain.lab import Lab, Series
from collector.domain.readings import StoredReading
from collector.store.reader import Reader


def newest_of(lab: Lab, series: Mapping[int, Series], reader: Reader) -> list[tuple[Series, StoredReading]]:
    """In the order of the lab's probes."""
    newest = reader.newest()
    by_key = {(known.probe, known.channel, known.place): known for known in series.values()}
    current = [by_key.get((p.id, c.key, p.place)) for p in lab.probes for c in p.channels]
    found = [(known, newest[known.id]) for known in current if known is not None and known.id in newest]
    return [
        (
            known,
            StoredReading(series=known.id, t_ms=last.t_ms, value=last.value, flag=last.flag, raw=None, why=last.why),
        )
        for known, last in found
    ]
