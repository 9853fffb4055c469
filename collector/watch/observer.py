"""Following a run from outside, for whoever measures or checks it."""

from collector.intake.session import LinkNews


class Observer:
    """Called by the loop, which waits meanwhile. A follower takes what it needs; here all of it is let go."""

    def linked(self, news: LinkNews) -> None:
        """The link to the broker came, went or was refused."""

    def began(self) -> None:
        """The first message of a batch has come."""

    def stored(self, messages: int) -> None:
        """So many messages were committed and acknowledged together."""
