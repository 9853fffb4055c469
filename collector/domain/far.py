"""Where a lab's data goes besides its own journal: plain values, whose secret is not shown."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Far:
    """A database that takes the InfluxDB write API v2."""

    url: str
    bucket: str
    org: str = ""
    token: str = field(default="", repr=False)
    site: str = ""
    lab: str = ""
    """Empty: the lab's name in lab.yaml."""
    timeout_s: float = 20.0
    every_s: int = 60
    """How long readings wait to go together."""
