"""One line about a brew: what it needs next, and by when."""

from collections.abc import Callable

from collector.domain.diary import BREW_WINDOW_MS, USE_WITHIN_MS, Brew


def brew_line(brew: Brew, stopped_ms: int | None, used: bool, now_ms: int, when: Callable[[int], str]) -> str:
    """Empty where nothing needs to be done about it. `stopped_ms`: when its air stopped, as far as is known."""
    opens, closes = (brew.started_ms + span for span in BREW_WINDOW_MS)
    if brew.running and stopped_ms is None:
        if now_ms < closes:
            return f"brew running since {when(brew.started_ms)}; ready from {when(opens)}, end it by {when(closes)}"
        return f"brew past its window since {when(closes)}: end it"
    if used or stopped_ms is None:
        return ""
    use_by, discard = (stopped_ms + span for span in USE_WITHIN_MS)
    if now_ms < use_by:
        return f"air stopped at {when(stopped_ms)}: use the tea by {when(use_by)}"
    if now_ms < discard:
        return f"the tea should have been used by {when(use_by)}; not after {when(discard)}"
    return f"the tea is too old since {when(discard)}: pour it away where nothing is eaten"
