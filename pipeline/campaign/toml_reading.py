"""Reading a TOML file key by key, with a type and a range for each, and every problem kept with its line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from pipeline.campaign.toml_places import Path, Places, find_places
from pipeline.problems import Problem

MAX_BYTES = 4_000_000
MAX_DEPTH = 32  # boat.toml itself needs four levels


@dataclass(slots=True)
class Document:
    """One TOML file while it is being read: its places, and the problems found so far."""

    file: str
    places: Places
    problems: list[Problem] = field(default_factory=list)

    def report(self, path: Path, what: str, *, fatal: bool = True) -> None:
        """Note a problem at `path`."""
        self.problems.append(Problem(self.file, what, self.places.line(path), fatal))


def parse_toml(data: bytes, file: str) -> tuple[dict[str, Any] | None, Document]:
    """The parsed file, or None with the one problem that stopped it (encoding, size, depth or syntax)."""
    document = Document(file, Places({}))

    def stop(what: str, line: int | None = None) -> tuple[None, Document]:
        document.problems.append(Problem(file, what, line))
        return None, document

    if len(data) > MAX_BYTES:
        return stop(f"is {len(data) / 1e6:.0f} MB large, which no boat file is: check that it is the right file.")
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as e:
        return stop("is not UTF-8 text: save it as UTF-8.", data.count(b"\n", 0, e.start) + 1)
    try:
        tree = tomllib.loads(text)
    except RecursionError:
        return stop("is nested too deeply to be read: a boat file needs four levels.")
    except ValueError as e:
        return stop(*_syntax_sentence(str(e), text))
    if _deeper_than(tree, MAX_DEPTH):
        return stop(f"is nested more than {MAX_DEPTH} levels deep: a boat file needs four.")
    document.places = find_places(text)
    return tree, document


def _syntax_sentence(message: str, text: str) -> tuple[str, int | None]:
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    reason = re.sub(r"\s*\(at .*\)\s*$", "", message)
    line = int(found[1]) if found else None
    if "end of document" in message:
        line = text.rstrip("\n").count("\n") + 1
    column = f" at column {found[2]}" if found else ""
    return (
        f"is not valid TOML{column}: {reason[:160].rstrip('.')}. Text stands in quotes, a decimal is written "
        "with a point, a date as 2027-06-12, and each key stands once.",
        line,
    )


def _deeper_than(tree: Any, limit: int) -> bool:
    layer = [tree]
    for _ in range(limit):
        layer = [v for x in layer for v in (x.values() if isinstance(x, dict) else x) if isinstance(v, dict | list)]
        if not layer:
            return False
    return True


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """` Did you mean 'x'?`, or nothing where no known word is near."""
    by_fold = {k.casefold(): k for k in known}
    near = difflib.get_close_matches(word[:80].casefold(), list(by_fold), n=1, cutoff=0.6)
    return f" Did you mean '{by_fold[near[0]]}'?" if near else ""


def _kind_of(value: Any) -> str:
    names = {bool: "true or false", str: "text", int: "a number", float: "a number", list: "a list", dict: "a table"}
    return names.get(type(value), "a date or time")


class TableReader:
    """One table: each `read` names a key, its type and its range; `close` reports the keys that nobody asked for."""

    def __init__(self, table: Mapping[str, Any], path: Path, document: Document) -> None:
        """`path` is where `table` stands in `document`."""
        self.table, self.path, self.document = table, path, document
        self.known: list[str] = []

    @property
    def title(self) -> str:
        """The table as it is written in the file."""
        keys = [str(k) if re.fullmatch(r"[\w-]+", str(k)) else f'"{k}"' for k in self.path if not isinstance(k, int)]
        return f"[{'.'.join(keys)}]" if keys else "the top of the file"

    def report(self, key: str | int | None, what: str, *, fatal: bool = True) -> None:
        """Note a problem at `key` of this table, or at the table itself."""
        self.document.report(self.path if key is None else (*self.path, key), what, fatal=fatal)

    def raw(self, key: str, *, required: bool = False) -> Any:
        """The value as parsed, None where absent."""
        self.known.append(key)
        if required and key not in self.table:
            self.report(None, f"{self.title} lacks '{key}', which is needed.")
        return self.table.get(key)

    def wrong(self, key: str, wanted: str) -> None:
        """Report that `key` should be `wanted`."""
        value = self.table[key]
        shown = "" if isinstance(value, dict | list) else f" {value!r}"[:60]
        self.report(key, f"'{key}' in {self.title} must be {wanted}, not {_kind_of(value)}{shown}.")

    def number(
        self, key: str, low: float, high: float, unit: str = "", *, above: bool = False, required: bool = False
    ) -> float | None:
        """A finite number in `low`..`high` (`above`: greater than `low`); None where absent or wrong (reported)."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, "a number (without quotes)")
            return None
        number = _as_float(value)
        if not math.isfinite(number) or not (low <= number <= high) or (above and number <= low):
            span = f"above {low:g} and at most {high:g}" if above else f"from {low:g} to {high:g}"
            self.report(
                key, f"'{key}' in {self.title} is {value!r:.40}, but must be {span}{' ' + unit if unit else ''}."
            )
            return None
        return number

    def whole(self, key: str, low: int, high: int) -> int | None:
        """A whole number in `low`..`high`; None where absent or wrong (reported)."""
        number = self.number(key, low, high)
        if number is not None and number != int(number):
            self.wrong(key, "a whole number")
            return None
        return None if number is None else int(number)

    def text(self, key: str, *, choices: tuple[str, ...] = (), required: bool = False) -> str | None:
        """Text, trimmed and not empty, one of `choices` where given; None where absent or wrong (reported)."""
        value = self.raw(key, required=required)
        if value is None:
            return None
        if not isinstance(value, str):
            self.wrong(key, "text in quotes")
            return None
        if choices and value not in choices:
            hint = did_you_mean(value, choices)
            listed = ", ".join(f'"{c}"' for c in choices)
            self.report(key, f"'{key}' in {self.title} is \"{value[:60]}\", but must be one of {listed}.{hint}")
            return None
        if not value.strip():
            self.report(key, f"'{key}' in {self.title} is empty.")
            return None
        return value.strip()

    def flag(self, key: str) -> bool | None:
        """True or false; None where absent or wrong (reported)."""
        value = self.raw(key)
        if value is not None and not isinstance(value, bool):
            self.wrong(key, "true or false (without quotes)")
            return None
        return value

    def texts(self, key: str, *, required: bool = False) -> tuple[str, ...]:
        """A list of texts, trimmed; empty where absent or wrong (reported)."""
        value = self.raw(key, required=required)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            self.wrong(key, "a list of texts in quotes, none empty")
            return ()
        return tuple(v.strip() for v in value)

    def day(self, key: str, *, required: bool = False) -> date | None:
        """A date (also in quotes); None where absent or wrong (reported)."""
        value = self.raw(key, required=required)
        return None if value is None else self.as_day(key, value)

    def as_day(self, key: str, value: Any) -> date | None:
        """`value` of `key` as a date, reported where it is none."""
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value.strip()):
            try:
                return date.fromisoformat(value.strip())
            except ValueError:
                pass
        if key in self.table:
            self.wrong(key, "a date such as 2027-06-12")
        return None

    def inside(self, key: str) -> TableReader | None:
        """The table under `key`; None where absent or not a table (reported)."""
        value = self.raw(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(key, "a table")
            return None
        return TableReader(value, (*self.path, key), self.document)

    def array(self, key: str) -> list[TableReader]:
        """The tables of the array under `key`; empty where absent or not an array of tables (reported)."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.wrong(key, f"an array of tables ([[{key}]])")
            return []
        return [TableReader(v, (*self.path, key, i), self.document) for i, v in enumerate(value)]

    def close(self) -> None:
        """Report every key that was never asked for."""
        for key in self.table:
            if key not in self.known:
                hint = did_you_mean(key, self.known)
                self.report(key, f"'{key[:60]}' is not a key of {self.title}; keys of your own go under [extra].{hint}")


def _as_float(value: int | float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf
