"""What the page leaves unsaid when nothing reads the paste."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import pytest

from monitor.page.markup import status_page
from monitor.page.view import AlarmView, BucketView, StatusView


@pytest.mark.parametrize("urgency", ["now", "daylight"])
@pytest.mark.parametrize("age_s", [7200.0, None, float("nan")])
def test_no_outlook_stands_beside_an_old_reading(urgency: str, age_s: float | None) -> None:
    """With an alarm or without: what lies ahead was said of readings that no longer come."""
    alarm = AlarmView("shed-4's core probe has no contact.", "Look.", 0.0, urgency, "nobody has seen it yet")
    fresh = BucketView("shed-4", "Q 24", "ageing", 52.0, 35.0, outlook="By the dilution: about 95 %.", alarms=(alarm,))
    for bucket, shown in ((fresh, True), (dataclasses.replace(fresh, temperature_age_s=age_s), False)):
        page = status_page(StatusView(0.0, buckets=(bucket,)), lambda at_s: datetime.fromtimestamp(at_s, UTC))
        assert ("By the dilution" in page) is shown

