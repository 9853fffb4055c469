"""Moments in the lab's local time, as people say them."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc(ms: int) -> datetime:
    """The moment as an aware datetime, exact to the millisecond."""
    return _EPOCH + timedelta(milliseconds=ms)


def clock_time(ms: int, zone: ZoneInfo, now_ms: int) -> str:
    """'09:10' today, 'Sunday 22:40' within six days either way, else 'Sunday 3 Mar 22:40', with the year if another."""
    then, now = utc(ms).astimezone(zone), utc(now_ms).astimezone(zone)
    days = (now.date() - then.date()).days
    if days == 0:
        return f"{then:%H:%M}"
    date = "" if abs(days) <= 6 else f" {then.day} {_MONTHS[then.month - 1]}"
    year = "" if then.year == now.year or not date else f" {then.year}"
    return f"{_DAYS[then.weekday()]}{date}{year} {then:%H:%M}"


def day_words(day: date) -> str:
    """'Monday 2 Mar'."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"
