"""Taking up what the command line and the pages ask of a running collector: alarms, diary, brews."""

from collections.abc import Callable

from collector.pipeline.pipeline import ORDERS, Pipeline
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.store.reading import Request


class Answers:
    """Each request is answered in the batch that carries what it did."""

    def __init__(self, journal: Journal, pipeline: Pipeline, log: Callable[[str], None]) -> None:
        self._journal, self._pipeline, self._log = journal, pipeline, log
        self._version = -1

    def take(self, now_ms: int) -> None:
        """Everything that has been asked since the last call."""
        batch = self._pipeline.batch
        try:
            version = self._journal.data_version()
            waiting = self._journal.pending_requests() if version != self._version else []
        except JournalStalled:
            return  # the next commit says so
        self._version = version
        taken = {done[0] for done in batch.requests_done}
        for request in waiting:
            if request.id not in taken:
                batch.requests_done.append((request.id, now_ms, self._answer_safely(request, now_ms)))

    def _answer_safely(self, request: Request, now_ms: int) -> str:
        try:
            return self._answer(request, now_ms)
        except Exception as error:  # noqa: BLE001  left open it would end the collector again at each start
            self._log(f"the request '{request.kind}' met a mistake in the program: {error!r:.300}")
            return "not done: a mistake in the program; the collector's log says which"

    def _answer(self, request: Request, now_ms: int) -> str:
        pipeline, kind, body = self._pipeline, request.kind, request.body
        if kind in ORDERS:
            return pipeline.order(kind, body, now_ms)
        if pipeline.book.knows(kind):
            return pipeline.note(kind, body, request.at_ms, now_ms)
        return f"this version does not know the request '{kind}'"
