"""Times as a layout writes them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service import faults
from service.layouts import Layout
from worker.intake.values import Bad, Rule, moment_until, not_after


def moments(layout: Layout, now: datetime) -> Rule:
    """Return the rule of the column `taken_at`."""
    if layout.timestamp is None and layout.time_zone is None:
        return moment_until(now)
    zone = None if layout.time_zone is None else ZoneInfo(layout.time_zone)
    bound = now + timedelta(seconds=faults.FUTURE_TOLERANCE_S)
    form = layout.timestamp

    def read(text: str) -> datetime:
        try:
            # without a zone, the layout's is meant
            moment = datetime.fromisoformat(text) if form is None else datetime.strptime(text, form)  # noqa: DTZ007
        except ValueError:
            raise Bad("bad-time", f"must be a time such as {_example(form, now)}") from None
        if moment.tzinfo is None:
            if zone is None:
                raise Bad("bad-time", "has no offset, and the layout no time zone")
            moment = moment.replace(tzinfo=zone)
        try:
            moment = moment.astimezone(UTC)
        except OverflowError:
            raise Bad("bad-time") from None
        if not faults.FIRST_YEAR <= moment.year <= faults.LAST_YEAR:
            raise Bad("bad-time")
        return not_after(moment, bound)

    return read


def _example(form: str | None, now: datetime) -> str:
    return now.isoformat(timespec="seconds") if form is None else now.strftime(form)
