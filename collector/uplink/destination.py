"""Where a lab's data goes besides its own journal: plain values, whose secret is not shown."""

from dataclasses import dataclass, field

from collector.config.settings import Uplink
from collector.store.line_protocol import LabTags


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
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

    def tags(self, lab_name: str) -> LabTags:
        """What tells this lab's lines from those of others; `lab_name` is that of lab.yaml."""
        return LabTags(self.lab or lab_name, self.site)


def destination_of(uplink: Uplink) -> Destination:
    """Where the settings say."""
    token = uplink.token.get_secret_value() if uplink.token is not None else ""
    return Destination(
        url=uplink.url,
        bucket=uplink.bucket,
        org=uplink.org,
        token=token,
        site=uplink.site,
        lab=uplink.lab,
        every_s=uplink.every_s,
    )


def not_installed(missing: ImportError) -> str:
    """One line for whoever set up an uplink where its library is not."""
    return f"{missing.name} is not installed, so nothing is sent; install what deploy/requirements.txt names"
