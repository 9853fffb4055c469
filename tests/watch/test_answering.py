"""Taking up requests: what stands against it, and what a mistake of ours must not do."""

from pathlib import Path
from typing import cast

from collector.pipeline.pipeline import Pipeline
from collector.store.batch import Batch
from collector.store.requests import Acknowledge, DigestNow, Reply, write_request
from collector.watch.answering import Answers
from tests.services.log_lines import log_to
from tests.store.samples import T0, opened


class _Broken:
    """A pipeline with a mistake in it."""

    def __init__(self) -> None:
        self.batch = Batch()

    def order(self, _order: object, _now_ms: int) -> Reply:
        raise ZeroDivisionError("a slip")


def test_a_request_that_meets_a_mistake_of_ours_is_answered(tmp_path: Path) -> None:
    """Left open, it would end the collector again at every start. The log says what it was, once."""
    log: list[str] = []
    with opened(tmp_path) as journal:
        number = write_request(journal.path, Acknowledge(rule="bedding-hot", place="juniper/top"), T0)
        broken = _Broken()
        answers = Answers(journal, cast(Pipeline, broken), log_to(log), lambda: Reply(True, ""))
        for _ in range(2):
            answers.take(T0)
    (row,) = broken.batch.replies
    assert row.id == number
    assert row.reply == Reply(False, "not done: a mistake in the program; the collector's log says which")
    (line,) = log
    assert "bedding-hot" in line
    assert "a slip" in line


def test_a_digest_that_is_asked_for_is_answered_by_whoever_writes_it(tmp_path: Path) -> None:
    """Once for each request, with its words; the alarms are left alone."""
    with opened(tmp_path) as journal:
        write_request(journal.path, DigestNow(), T0)
        pipeline = _Broken()
        answers = Answers(journal, cast(Pipeline, pipeline), log_to([]), lambda: Reply(True, "it goes to teacher"))
        for _ in range(2):
            answers.take(T0)
    (row,) = pipeline.batch.replies
    assert row.reply == Reply(True, "it goes to teacher")
