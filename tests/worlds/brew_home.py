"""A home with a brewer for tests of the diary, and what its collector does with what waits there."""

from pathlib import Path

from collector.config.home import Home
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Pipeline
from collector.store.batch import ReplyRow
from collector.store.journal import Journal
from collector.store.requests import BookRequest
from tests.worlds.home import LAB, make_home
from tests.worlds.values import T0

CLASS = ("--by", "class 4b")
AT_TOP = ("--at", "juniper/top", *CLASS)
PUMP = """\
  kettle-pump:
    place: kettle
    topic: worms/pump
    format: number
    channels: {pump: {measure: air_pump, unit: on/off}}
people:"""


def make_brew_home(folder: Path) -> Home:
    """A lab with a brewer and its pump, whose collector has run before and does not now."""
    make_home(folder)
    lab = LAB.replace("room:", "brewers: {kettle: }\nroom:").replace("people:", PUMP)
    (folder / "lab.yaml").write_text(lab, encoding="utf-8")
    journal_of(Home(folder)).close()
    return Home(folder)


def journal_of(home: Home) -> Journal:
    return Journal(home.database, "UTC", T0)


def pipeline_of(home: Home, journal: Journal) -> Pipeline:
    lab = home.load_lab()
    return build_pipeline(lab, home.load_rules(), journal, Outlet(), T0)


def take_all(home: Home, now_ms: int = T0) -> None:
    """What a collector does with what waits."""
    with journal_of(home) as journal:
        pipeline = pipeline_of(home, journal)
        for row in journal.pending_requests():
            assert isinstance(row.request, BookRequest)
            reply = pipeline.note(row.request, row.at_ms, now_ms)
            pipeline.batch.replies.append(ReplyRow(row.id, now_ms, reply))
        journal.commit(pipeline.batch, now_ms)
