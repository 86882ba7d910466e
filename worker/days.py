"""Days of the calendar at a site, and the moments they begin."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo


def start_of_day(day: date, zone: ZoneInfo) -> datetime:
    """Return the moment a day begins at a site, in UTC."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def day_of(moment: datetime, zone: ZoneInfo) -> date:
    """Return the day a moment falls on at a site."""
    return moment.astimezone(zone).date()
