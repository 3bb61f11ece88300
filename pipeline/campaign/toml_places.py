"""Where each key of a TOML file stands: the line of every key and every array element, for messages.

`tomllib` parses but forgets the lines. This scanner only walks a text that `tomllib` has already accepted, so it need
not judge the grammar, only keep its place: table headers, arrays of tables, dotted and quoted keys, inline tables,
arrays and strings over several lines. Source: TOML 1.0.0 specification, toml.io/en/v1.0.0.
"""

from __future__ import annotations

import bisect
import tomllib
from dataclasses import dataclass

Path = tuple[str | int, ...]

_BLANK = " \t"
_SPACE = " \t\r\n"


@dataclass(frozen=True, slots=True)
class Places:
    """Line of each path; a path is the keys from the top, with an index for an element of an array."""

    lines: dict[Path, int]

    def line(self, path: Path) -> int | None:
        """Line (from 1) of `path`, else of the nearest part above it that has one."""
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None


def find_places(text: str) -> Places:
    """Lines of every key in `text`, which must be valid TOML with LF or CRLF line ends."""
    scanner = _Scanner(text)
    scanner.run()
    return Places(scanner.lines)


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(i + 1 for i, c in enumerate(text) if c == "\n")]
        self.lines: dict[Path, int] = {}
        self.last_of: dict[Path, int] = {}  # array of tables -> index of its latest element

    def run(self) -> None:
        table: Path = ()
        while self._skip(_SPACE):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _here(self) -> int:
        return bisect.bisect_right(self.starts, self.at)

    def _note(self, path: Path, line: int) -> None:
        self.lines.setdefault(path, line)

    def _skip(self, characters: str) -> bool:
        """Move past `characters` (and comments where these hold a line end); False at the end of the text."""
        text, size = self.text, len(self.text)
        while self.at < size:
            c = text[self.at]
            if c == "#" and "\n" in characters:
                end = text.find("\n", self.at)
                self.at = size if end < 0 else end
            elif c in characters:
                self.at += 1
            else:
                return True
        return False

    def _header(self) -> Path:
        line = self._here()
        is_array = self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        keys = self._keys("]")
        self.at += 2 if is_array else 1
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            self._note(path, line)
            if is_array and i == len(keys) - 1:
                self.last_of[path] = self.last_of.get(path, -1) + 1
            if path in self.last_of:
                path = (*path, self.last_of[path])
                self._note(path, line)
        return path

    def _keys(self, until: str) -> list[str]:
        keys = []
        while self._skip(_BLANK):
            c = self.text[self.at]
            if c == until:
                break
            if c == ".":
                self.at += 1
            elif c in "\"'":
                start = self.at
                self._string()
                keys.append(str(tomllib.loads("k=" + self.text[start : self.at])["k"]))
            else:
                start = self.at
                while self.at < len(self.text) and self.text[self.at] not in ". \t=]\r\n":
                    self.at += 1
                keys.append(self.text[start : self.at])
                if start == self.at:
                    raise ValueError("not TOML")
        return keys

    def _pair(self, table: Path) -> None:
        line = self._here()
        path = table
        for key in self._keys("="):
            path = (*path, key)
            self._note(path, line)
        self.at += 1
        self._skip(_BLANK)
        self._value(path)

    def _value(self, path: Path) -> None:
        c = self.text[self.at]
        if c in "\"'":
            self._string()
        elif c == "[":
            self._array(path)
        elif c == "{":
            self._inline(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\r\n":
                self.at += 1

    def _array(self, path: Path) -> None:
        self.at += 1
        index = 0
        while self._skip(_SPACE + ",") and self.text[self.at] != "]":
            element = (*path, index)
            self._note(element, self._here())
            self._value(element)
            index += 1
        self.at += 1

    def _inline(self, path: Path) -> None:
        self.at += 1
        while self._skip(_SPACE + ",") and self.text[self.at] != "}":
            self._pair(path)
        self.at += 1

    def _string(self) -> None:
        text, quote = self.text, self.text[self.at]
        long = text.startswith(quote * 3, self.at)
        end = quote * 3 if long else quote
        self.at += len(end)
        while self.at < len(text) and not text.startswith(end, self.at):
            self.at += 2 if quote == '"' and text[self.at] == "\\" else 1
        self.at += len(end)
        while long and self.at < len(text) and text[self.at] == quote:  # quotes that belong to the text itself
            self.at += 1
