"""A log that a test can read."""

from collector.config.log import Log


def log_to(lines: list[str]) -> Log:
    """Lines as they are said, of every level."""
    return Log(lambda _level, text: lines.append(text))
