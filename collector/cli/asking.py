"""Asking the collector for something and waiting for its reply.

It alone changes alarms and the diary; whoever wants a change leaves a request in the journal, which it takes up within
a second.
"""

from collector.config.clock import system_now
from collector.config.home import Home
from collector.store.asking import Waiting, reply_to
from collector.store.requests import Reply, Request, write_request

NOT_RUNNING = "noted; the collector is not running and takes it up when it does"
_WAITING = Waiting(reply_s=5.0)


def ask(home: Home, request: Request) -> Reply | None:
    """Leave a request; what the collector made of it, or None where it does not run (say NOT_RUNNING then)."""
    return reply_to(home, write_request(home.database, request, system_now()), system_now, _WAITING)
