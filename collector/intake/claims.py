"""What of the readings that nobody claimed when they came is still claimed by nobody.

The journal keeps what came before a probe was given its place. lab.yaml as it is now says what is claimed, whether or
not the collector has taken it up yet.
"""

from collector.domain.lab import Format, Lab, series_keys
from collector.intake.placing import Placing, Route

_NAMED = (Format.SENML_JSON, Format.SENML_CBOR)
"""Formats whose messages may hold records of several probes, each told by its name."""


class Claims:
    """What the probes of a lab claim."""

    def __init__(self, lab: Lab) -> None:
        self._placing = Placing(lab, dict.fromkeys(series_keys(lab), 0))

    def claimed(self, topic: str, name: str) -> bool:
        """Whether a record of this name at this topic has a place. A message without names belongs to its topic."""
        return any(_takes(route, name) for route in self._placing.routes(topic))


def _takes(route: Route, name: str) -> bool:
    return not name or route.format not in _NAMED or route.slot(name) is not None
