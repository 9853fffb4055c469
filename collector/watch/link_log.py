"""How the link to the broker fares, for the log and for `status`."""

from collector.config.log import Log
from collector.intake.session import LinkNews, LinkState


class LinkLog:
    """The same trouble is logged once, however often it comes."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._logged = ""
        self.trouble = "not connected yet"
        """Why there is no link, for people; empty: it is up."""

    def heard(self, news: LinkNews) -> bool:
        """Whether the link itself came or went by this: another failed attempt is none."""
        up, was_up = news.link is LinkState.UP, not self.trouble
        if up or news.text != self._logged:
            (self._log if up else self._log.warning)(news.text)
        self._logged = self.trouble = "" if up else news.text
        return up or was_up
