"""The time zone by which a session's times are written: its name checked, and moments in it.

Names are those of the IANA time zone database, which knows each place's summer time. An
abbreviation such as CET is refused even where the database has it: it does not say whether summer
time is kept, so a summer's evening would lie an hour off.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from contextlib import suppress
from zoneinfo import ZoneInfo, available_timezones

from pipeline.base.asking import either, nearest, question
from pipeline.errors import SessionError
from pipeline.read.practice.toml_values import TomlTable, text_value

UTC_NAME = "UTC"
# Places that go by these abbreviations; from memory, and not all of them.
ABBREVIATED_ZONES = {
    ("cet", "cest", "met", "mez", "mesz"): ("Europe/Zurich", "Europe/Berlin", "Europe/Paris"),
    ("eet", "eest"): ("Europe/Helsinki", "Europe/Athens"),
    ("wet", "west"): ("Europe/Lisbon",),
    ("gmt", "bst", "gb"): ("Europe/London",),
    ("est", "edt", "et", "est5edt"): ("America/New_York", "America/Toronto"),
    ("cst", "cdt", "ct", "cst6cdt"): ("America/Chicago",),
    ("mst", "mdt", "mt", "mst7mdt"): ("America/Denver", "America/Phoenix"),
    ("pst", "pdt", "pt", "pst8pdt"): ("America/Los_Angeles",),
    ("ist",): ("Asia/Kolkata", "Europe/Dublin", "Asia/Jerusalem"),
    ("jst", "japan"): ("Asia/Tokyo",),
    ("aest", "aedt"): ("Australia/Sydney", "Australia/Brisbane"),
    ("nzst", "nzdt", "nz"): ("Pacific/Auckland",),
}


def time_zone_of_key(where: str, table: TomlTable) -> str | None:
    """The key time_zone, a name of the IANA database; None where there is none."""
    if "time_zone" not in table:
        return None
    text = text_value(where, table, "time_zone")
    if text.casefold() in ("utc", "z"):
        return UTC_NAME
    if "/" in text and text.partition("/")[0] not in ("posix", "right"):
        with suppress(KeyError, ValueError, OSError):  # ZoneInfoNotFoundError is a KeyError
            return ZoneInfo(text).key
    known = available_timezones()
    if not known:
        raise SessionError(
            f"{where} time_zone",
            f'"{text}", and this machine has no time zone database',
            "the time zones of this machine, or the package tzdata",
            "pip install tzdata, or write times in UTC and delete time_zone",
        )
    raise SessionError(
        f"{where} time_zone",
        f'"{text}"',
        'a place by whose clocks the times are written, time_zone = "Europe/Zurich"',
        _meant_zones(text, sorted(known)),
    )


def zone_named(name: str | None) -> dt.tzinfo:
    """The time zone of that name, UTC where there is none."""
    return dt.UTC if name in (None, UTC_NAME) else ZoneInfo(str(name))


def _meant_zones(text: str, known: list[str]) -> str:
    """The place that was probably meant, as a question; "" where none is like it."""
    plain = _plain_place(text)
    for words, places in ABBREVIATED_ZONES.items():
        if plain in words:
            return f"name the place, since its summer time counts: {either(places)}"
    cities: dict[str, str] = {}
    for name in known:
        if "/" in name:
            cities.setdefault(_plain_place(name.rpartition("/")[2]), name)
    if found := cities.get(_plain_place(text.rpartition("/")[2])):
        return question(found)
    near = nearest(text, [name for name in known if "/" in name])
    if near is None and (city := nearest(plain, cities)) is not None:
        near = cities[city]
    return "" if near is None else question(near)


def _plain_place(name: str) -> str:
    """A place's name in small letters, without accents, with underscores for spaces."""
    parted = unicodedata.normalize("NFKD", name.strip().casefold())
    return "".join(c for c in parted if not unicodedata.combining(c)).replace(" ", "_")
