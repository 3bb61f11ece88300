"""The tables `[channels]` and `[csv]` of `boat.toml`: how to read this boat's logs."""

from __future__ import annotations

import re
from typing import Any

from pipeline.campaign.settings import Channels, CsvColumn, CsvLayout
from pipeline.campaign.toml_reading import TableReader, did_you_mean
from pipeline.channels import BY_NAME, GROUPS, SENSOR_WORDS
from pipeline.units import UNITS

TIME = "time"
# Columns of the samples that no channel may take.
_TAKEN = (TIME, "file_id")


def read_channels(top: TableReader) -> Channels:
    """`[channels]`; the keys of `talkers` become groups of `pipeline.channels`.

    A person writes `wind`, `heading`, `speed` or `gps`, a group, or the name of a channel, which stands for its group.
    """
    table = top.inside("channels")
    if table is None:
        return Channels()
    transducers: dict[str, str] = {}
    if (inner := table.inside("transducers")) is not None:
        for name in inner.table:
            channel = inner.text(name)
            if channel is not None and _usable_channel(inner, name, channel):
                transducers[name] = channel
    talkers: dict[str, str] = {}
    if (inner := table.inside("talkers")) is not None:
        for word in inner.table:
            talker = inner.text(word)
            groups = _groups(word)
            if not groups:
                hint = did_you_mean(word, (*SENSOR_WORDS, *GROUPS, *BY_NAME))
                inner.report(word, f"talkers: '{word}' is neither {', '.join(SENSOR_WORDS)} nor a channel.{hint}")
            elif talker is not None and not re.fullmatch(r"[A-Za-z0-9]{1,5}", talker):
                inner.wrong(word, 'a talker, the letters in front of the sentence such as "WI"')
            elif talker is not None:
                talkers |= {g: talker.upper() for g in groups if word in GROUPS or g not in talkers}
    table.close()
    return Channels(transducers, talkers)


def _groups(word: str) -> tuple[str, ...]:
    if word in SENSOR_WORDS:
        return SENSOR_WORDS[word]
    if word in GROUPS:
        return (word,)
    return (BY_NAME[word].group,) if word in BY_NAME else ()


def _usable_channel(table: TableReader, key: str, channel: str) -> bool:
    if channel in _TAKEN or not re.fullmatch(r"[A-Za-z]\w{0,62}", channel):
        table.report(
            key,
            f"'{channel[:60]}' cannot be the name of a channel: letters, digits and _ only, and "
            f"not {' or '.join(_TAKEN)}.",
        )
        return False
    if channel not in BY_NAME and channel.casefold() in BY_NAME:
        table.report(
            key,
            f"'{channel}' is taken as a channel of its own; '{channel.casefold()}' is the name of the catalogue.",
            fatal=False,
        )
    return True


def read_csv_layouts(top: TableReader) -> tuple[CsvLayout, ...]:
    """`[csv]`, one table or several (`[[csv]]`); the default layout where there is none."""
    value = top.table.get("csv")
    if isinstance(value, list):
        tables = top.array("csv")
    else:
        inner = top.inside("csv")
        tables = [] if inner is None else [inner]
    return tuple(_layout(table) for table in tables) or (CsvLayout(),)


def _layout(table: TableReader) -> CsvLayout:
    given: dict[str, Any] = {
        "files": table.text("files"),
        "delimiter": _one_character(table, "delimiter"),
        "decimal": _one_character(table, "decimal"),
        "units_row": table.flag("units_row"),
        "time_format": _time_format(table),
        "columns": _columns(table),
    }
    table.close()
    layout = CsvLayout(**{k: v for k, v in given.items() if v is not None})
    if layout.decimal not in ".,":
        table.report("decimal", f'decimal must be "." or ",", not {layout.decimal!r}.')
    elif layout.decimal == layout.delimiter:
        in_quotes = layout.decimal == ","
        table.report(
            "delimiter",
            f"delimiter and decimal are both {layout.decimal!r}: "
            + ("numbers with decimals must stand in quotes." if in_quotes else "a row could not be told apart."),
            fatal=not in_quotes,
        )
    return layout


def _one_character(table: TableReader, key: str) -> str | None:
    value = table.raw(key)
    if value is None:
        return None
    if isinstance(value, str) and value.casefold() in ("tab", "\\t"):
        return "\t"
    if not isinstance(value, str) or len(value) != 1 or value in '\r\n"':
        table.wrong(key, "one character in quotes")
        return None
    return value


def _time_format(table: TableReader) -> str | None:
    value = table.text("time_format")
    if value is not None and value not in ("auto", "epoch_s", "epoch_ms") and "%" not in value:
        table.report(
            "time_format",
            f'time_format "{value[:40]}" is neither auto, epoch_s, epoch_ms nor a pattern such as %d.%m.%Y %H:%M:%S.',
        )
        return None
    return value


def _columns(table: TableReader) -> tuple[CsvColumn, ...]:
    inner = table.inside("columns")
    if inner is None:
        return ()
    columns = [column for channel in inner.table if (column := _column(inner, channel)) is not None]
    return tuple(columns)


def _column(table: TableReader, channel: str) -> CsvColumn | None:
    if channel != TIME and not _usable_channel(table, channel, channel):
        table.raw(channel)
        return None
    value = table.raw(channel)
    if isinstance(value, str) and value.strip():
        return CsvColumn(channel, value.strip())
    if not isinstance(value, dict):
        table.wrong(channel, 'a heading in quotes, or { column = "heading", unit = "m/s" }')
        return None
    inner = table.inside(channel)
    assert inner is not None
    heading = inner.text("column", required=True)
    unit = inner.text("unit")
    inner.close()
    if unit is not None:
        _check_unit(inner, channel, unit)
    return None if heading is None else CsvColumn(channel, heading, unit)


def _check_unit(table: TableReader, channel: str, unit: str) -> None:
    if channel == TIME:
        table.report("unit", "the column of the time has a time_format, not a unit.")
        return
    known = BY_NAME.get(channel)
    if known is not None and unit == known.unit:
        return
    if unit not in UNITS:
        table.report(
            "unit", f"unit '{unit[:40]}' of {channel} is unknown; known: {', '.join(UNITS)}.{did_you_mean(unit, UNITS)}"
        )
    elif known is not None and UNITS[unit][0] != known.dimension:
        fitting = ", ".join(u for u, (dimension, _, _) in UNITS.items() if dimension == known.dimension) or known.unit
        table.report(
            "unit", f"unit '{unit}' is one of {UNITS[unit][0]}, but {channel} is a {known.dimension}: use {fitting}."
        )
