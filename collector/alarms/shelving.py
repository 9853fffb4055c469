"""How long an alarm may be shelved."""

from collector.domain.units import show_duration

LONGEST_SHELF_MS = 7 * 86_400_000
"""Shelving is for what is known and being seen to; what takes longer is out of service or wants another rule (common
practice)."""


def too_long(lasting_ms: int) -> str | None:
    """Why so long a shelving is refused, with the limit; None where it is not."""
    if lasting_ms <= LONGEST_SHELF_MS:
        return None
    return f"an alarm is shelved for {show_duration(LONGEST_SHELF_MS)} at most; what lasts longer wants a rule"
