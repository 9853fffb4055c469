"""A process that commits batch after batch, says so on stdout after each, and is killed at any moment."""

import sys
from pathlib import Path

from collector.store.batch import Batch
from collector.store.vocabulary import Counter, MetaKey
from tests.store.samples import HOUR, T0, good, message, opened, with_series

ROWS = 24
TIDY_EVERY = 7


def batch(n: int, series: list[int]) -> Batch:
    """The n-th batch: readings, a message, a count and a mark in meta, to tell whole from half."""
    return Batch(
        rows=[good(T0 + n * HOUR + k, series[k % len(series)], float(n)) for k in range(ROWS)],
        messages=[message(f"batch-{n}", T0 + n)],
        counts={Counter.LATE: 1},
        meta={MetaKey.RULES: str(n)},
    )


def main(folder: Path, start: int) -> None:
    journal = opened(folder)
    series = with_series(journal)
    n = start
    while True:
        journal.commit(batch(n, series), T0)
        sys.stdout.write(f"{n}\n")
        sys.stdout.flush()
        n += 1
        if n % TIDY_EVERY == 0:
            journal.tidy(T0 + n * HOUR)
        if n % (TIDY_EVERY * 3) == 0:
            journal.retention(T0 + n * HOUR, keep_days=4, at_most=50)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
