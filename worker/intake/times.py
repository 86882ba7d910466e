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
            raise Bad("bad-time", _such_as(form, now)) from None
        if moment.tzinfo is None:
            if zone is None:
                raise Bad("bad-time", "has no offset, and the layout no time zone")
            moment = moment.replace(tzinfo=zone)
        try:
            if _is_skipped(moment):
                raise Bad("bad-time", f"the clock of {layout.time_zone} skipped this time when it was put forward")
            moment = moment.astimezone(UTC)
        except OverflowError:
            raise Bad("bad-time", _such_as(form, now)) from None
        if not faults.FIRST_YEAR <= moment.year <= faults.LAST_YEAR:
            raise Bad("bad-time", _such_as(form, now))
        return not_after(moment, bound)

    return read


def _is_skipped(moment: datetime) -> bool:
    """Say whether a local time is one that the clock never showed: it comes back from UTC as another."""
    return moment.astimezone(UTC).astimezone(moment.tzinfo).replace(tzinfo=None) != moment.replace(tzinfo=None)


def _such_as(form: str | None, now: datetime) -> str:
    example = now.isoformat(timespec="seconds") if form is None else now.strftime(form)
    return f"must be a time such as {example}"
