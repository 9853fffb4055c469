"""Taking up what the command line and the pages ask of a running collector: alarms, diary, brews."""

from collections.abc import Callable

from collector.config.log import Log
from collector.pipeline.pipeline import Pipeline
from collector.store.batch import ReplyRow
from collector.store.errors import JournalStalled
from collector.store.journal import Journal
from collector.store.requests import BookRequest, DigestNow, Reply, RequestRow, UnreadRequest


class Answers:
    """Each request is answered in the batch that carries what it did."""

    def __init__(self, journal: Journal, pipeline: Pipeline, log: Log, digest_now: Callable[[], Reply]) -> None:
        """`digest_now` sees to it that the digest is written."""
        self._digest_now = digest_now
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
        taken = {reply.id for reply in batch.replies}
        for row in waiting:
            if row.id not in taken:
                batch.replies.append(ReplyRow(row.id, now_ms, self._reply_safely(row, now_ms)))

    def _reply_safely(self, row: RequestRow, now_ms: int) -> Reply:
        try:
            return self._reply(row, now_ms)
        except Exception as error:  # noqa: BLE001  left open it would end the collector again at each start
            self._log.error(f"request {row.id} met a mistake in the program: {row.request!r:.200}: {error!r:.300}")
            return Reply(False, "not done: a mistake in the program; the collector's log says which")

    def _reply(self, row: RequestRow, now_ms: int) -> Reply:
        request = row.request
        if isinstance(request, UnreadRequest):
            return Reply(False, request.problem)
        if isinstance(request, BookRequest):
            return self._pipeline.note(request, row.at_ms, now_ms)
        if isinstance(request, DigestNow):
            return self._digest_now()
        return self._pipeline.order(request, now_ms)
