"""Times that people write: RFC 3339, or local time of a declared zone, to naive UTC."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

_STAMP = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt_ ]\s*(\d\d?):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?\s*([Zz]|UTC|[+-]\d\d(?::?\d\d)?)?"
)

# A day or a year more or less must be a time as well, wherever one is added.
EARLIEST, LATEST = datetime(2, 1, 1), datetime(9998, 1, 1)
OUT_OF_RANGE = "is out of the range of times"


class BadStamp(ValueError):
    """A time that cannot be used; its text is the sentence why."""


def load_zone(name: str) -> tzinfo | None:
    """The zone of that IANA name ("Europe/Paris") or fixed offset ("+02:00", "UTC"); None where there is none."""
    if name.upper() in ("UTC", "Z", "GMT"):
        return UTC
    if found := re.fullmatch(r"(?:UTC|GMT)?([+-])(\d\d?):?(\d\d)?", name):
        offset = timedelta(hours=int(found[2]), minutes=int(found[3] or 0))
        if offset >= timedelta(hours=24):
            return None
        return timezone(-offset if found[1] == "-" else offset)
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        return None


def to_utc(local: datetime, zone: tzinfo) -> datetime:
    """Naive UTC of a naive local time. Raises `BadStamp` where that local time does not exist, or exists twice."""
    if zone is UTC:
        if not EARLIEST <= local < LATEST:
            raise BadStamp(OUT_OF_RANGE)
        return local
    try:
        early = local.replace(tzinfo=zone, fold=0).astimezone(UTC)
        late = local.replace(tzinfo=zone, fold=1).astimezone(UTC)
        exists = early.astimezone(zone).replace(tzinfo=None) == local
    except (OverflowError, ValueError) as e:
        raise BadStamp(OUT_OF_RANGE) from e
    if not EARLIEST <= early.replace(tzinfo=None) < LATEST:
        raise BadStamp(OUT_OF_RANGE)
    if not exists:
        raise BadStamp(f"does not exist in {zone} (the clocks were put forward): write it in UTC, with a Z behind it")
    if early != late:
        raise BadStamp(
            f"exists twice in {zone} (the clocks were put back): write it in UTC, as {early:%Y-%m-%dT%H:%M:%SZ} "
            f"or {late:%Y-%m-%dT%H:%M:%SZ}"
        )
    return early.replace(tzinfo=None)


def parse_stamp(text: str, zone: tzinfo) -> datetime:
    """Naive UTC of an RFC 3339 stamp; without a zone of its own it is local time of `zone`.

    A space instead of the T, missing seconds, lower case and a comma before the fraction are accepted; a leap second
    (`:60`) becomes the first of the next minute; digits beyond the microsecond are cut. Raises `BadStamp`, whose text
    continues "time ... ". Source: RFC 3339, section 5.6; the acceptances beside it are our own.
    """
    found = _STAMP.fullmatch(text.strip())
    if found is None:
        raise BadStamp("cannot be read: write it as 2027-06-12T09:30:00Z")
    year, month, day, hour, minute = (int(g) for g in found.groups()[:5])
    second = int(found[6] or 0)
    micro = int((found[7] or "0")[:6].ljust(6, "0"))
    try:
        moment = datetime(year, month, day, hour, minute, min(second, 59), 0 if second == 60 else micro)
        moment += timedelta(seconds=int(second == 60))
    except OverflowError as e:
        raise BadStamp(OUT_OF_RANGE) from e
    except ValueError as e:
        raise BadStamp(f"is no time of the calendar ({e})") from e
    if second > 60:
        raise BadStamp("is no time of the calendar (second must be in 0..59)")
    own = found[8]
    if own is None:
        return to_utc(moment, zone)
    fixed = load_zone(own)
    if fixed is None:
        raise BadStamp(f"has the impossible zone {own}")
    return to_utc(moment, fixed)
