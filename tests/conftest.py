"""What every test may use, and what every run says at its end."""

import os
import sys
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from coverage import Coverage
from hypothesis import Phase, settings

from tests.services.clock import FakeClock
from tests.services.parts import IN_CI

if TYPE_CHECKING:  # most tests need no server: what starts them is loaded by those that do
    from tests.services.mosquitto import Mosquitto
    from tests.services.watching import Watch

# Tests start hundreds of programs of ours. Where Python may not keep what it compiled (as in a container), each of them
# would compile the whole collector anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# In CI an example that fails is told as it was found: making it smaller may take minutes, and there is no time for it.
settings.register_profile(
    "ci",
    derandomize=True,
    deadline=None,
    max_examples=60,
    database=None,
    phases=(Phase.explicit, Phase.generate),
)
settings.register_profile("laptop", deadline=None, max_examples=60)
settings.register_profile("quick", deadline=None, max_examples=20)  # of deploy/dev.sh
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if IN_CI else "laptop"))


@pytest.fixture
def clock() -> FakeClock:
    """The time, which stands still until `clock.advance(...)`."""
    return FakeClock()


@pytest.fixture
def start_mosquitto(tmp_path: Path) -> "Iterator[Callable[..., Mosquitto]]":
    """Starts real brokers with the options of `Mosquitto`, each in a folder of its own; all end with the test."""
    from tests.services.mosquitto import Mosquitto

    started: list[Mosquitto] = []

    def start(**options: Any) -> Mosquitto:
        broker = Mosquitto(tmp_path / f"mosquitto-{len(started)}", **options)
        started.append(broker)
        broker.start()
        return broker

    yield start
    for broker in started:
        broker.stop()


@pytest.fixture
def mosquitto(start_mosquitto: "Callable[..., Mosquitto]") -> "Mosquitto":
    """A real broker on a free loopback port, open to anyone on this machine."""
    return start_mosquitto()


@pytest.fixture(autouse=True)
def _no_collector_left_behind() -> Iterator[None]:
    """Whatever a test did, the collectors it started end with it."""
    yield
    watching = sys.modules.get("tests.services.watching")
    left: tuple[Watch, ...] = tuple(watching.Watch.running_now) if watching is not None else ()
    for watch in left:
        watch.kill()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests begin, so that of several workers none is left alone with one at the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, bool, bool]:
    """Coverage counts what plain tests reach by themselves. What a random search or a played month happens to run
    through is not shown by it, and being traced takes more than twice its time. Nor are the programs traced that tests
    start, some 1,400: each would load coverage first."""
    os.environ.pop("COVERAGE_PROCESS_CONFIG", None)  # it is set at each start
    traced = Coverage.current() if _is_long(item) else None
    if traced is None:
        return (yield)
    traced.stop()
    try:
        return (yield)
    finally:
        traced.start()


def _is_long(item: pytest.Item) -> bool:
    searches = getattr(getattr(item, "obj", None), "is_hypothesis_test", False)
    return searches or item.get_closest_marker("slow") is not None


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """A test file in which nothing is found to run is a mistake, such as tests in a class of the wrong name."""
    report = yield
    if isinstance(collector, pytest.Module) and report.passed and not report.result:
        report.outcome = "failed"
        report.longrepr = f"{collector.path.name} holds no test that pytest collects"
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How many ran, and what was left out for which reason."""
    stats = terminalreporter.stats
    skipped = stats.get("skipped", [])
    reasons = Counter(_reason(report) for report in skipped)
    for reason, count in reasons.most_common():
        terminalreporter.write_line(f"SKIPPED {count}: {reason}", yellow=True, bold=True)
    passed, wrong = len(stats.get("passed", [])), len(stats.get("failed", [])) + len(stats.get("error", []))
    terminalreporter.write_line(f"tests: {passed} passed, {wrong} failed, {len(skipped)} skipped")


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    where = report.longrepr
    return where[2].removeprefix("Skipped: ") if isinstance(where, tuple) else str(where)
