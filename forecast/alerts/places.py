"""Where an alert is about, also once somebody took its region out of practice.toml."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from forecast.practice import Practice
from forecast.records.alerts import Alert


def region_is_gone(practice: Practice, region_id: str) -> bool:
    """Say whether practice.toml no longer has a region."""
    return region_id not in {region.id for region in practice.settings.region}


def region_name(practice: Practice, alert: Alert) -> str:
    """Return the name of an alert's region; of one that is gone, as the alert was written."""
    for region in practice.settings.region:
        if region.id == alert.region_id:
            return region.name
    return str(alert.facts.get("region", alert.region_id))


def zone_of(practice: Practice, region_id: str) -> ZoneInfo:
    """Return the time zone of a region; of one that is gone, the practice's own."""
    named = {region.id: region.time_zone for region in practice.settings.region}
    return ZoneInfo(named[region_id]) if region_id in named else practice.time_zone
