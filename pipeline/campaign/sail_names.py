"""From the words of a crew to the codes of the boat: codes, aliases, and lists of them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.campaign.settings import Boat
from pipeline.campaign.toml_reading import did_you_mean

_LIST_MARKS = re.compile(r"[+,;/&]")
MAX_TEXT = 2000  # no list of sails is longer


def fold_name(name: str) -> str:
    """A name without regard to case and width of spaces."""
    return " ".join(name.casefold().split())


@dataclass(frozen=True, slots=True)
class SailNames:
    """Every code and alias of a boat."""

    codes: dict[str, str] = field(default_factory=dict)  # folded name -> code
    longest: int = 1  # words in the longest name
    _resolved: dict[str, tuple[list[str], list[str]]] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(cls, boat: Boat) -> SailNames:
        """The names that `boat` knows its sails by."""
        codes = {fold_name(a): s.code for s in boat.sails.values() for a in s.aliases}
        codes |= {fold_name(c): c for c in boat.sails}
        return cls(codes, max((len(name.split()) for name in codes), default=1))

    def resolve(self, text: str) -> tuple[list[str], list[str]]:
        """Codes in `text`, in its order and without repetition, and the words that name no sail of the boat.

        Names stand apart by spaces; the longest name that fits is taken first, so an alias may hold spaces. `+`, `,`,
        `;`, `/` and `&` part names as well, where every part is a name.
        """
        if text not in self._resolved:
            self._resolved[text] = self._looked_up(text)
        codes, strange = self._resolved[text]
        return codes.copy(), strange.copy()

    def _looked_up(self, text: str) -> tuple[list[str], list[str]]:
        if len(text) > MAX_TEXT:
            return [], [text[:60]]
        words = fold_name(text).split(" ")
        written = text.split()
        found: list[str] = []
        strange: list[str] = []
        at = 0
        while at < len(written):
            width = next(
                (
                    w
                    for w in range(min(self.longest, len(words) - at), 0, -1)
                    if " ".join(words[at : at + w]) in self.codes
                ),
                0,
            )
            if width:
                found.append(self.codes[" ".join(words[at : at + width])])
            elif (parts := self._marked_list(words[at:])) is not None:
                return list(dict.fromkeys(found + parts)), strange
            else:
                strange.append(written[at])
            at += max(width, 1)
        return list(dict.fromkeys(found)), strange

    def _marked_list(self, words: list[str]) -> list[str] | None:
        """Codes of a list with marks in it, None unless every part is understood."""
        text = " ".join(words)
        if not _LIST_MARKS.search(text):
            return None
        codes: list[str] = []
        for part in _LIST_MARKS.split(text):
            if not part.strip():
                continue
            inner, strange = self.resolve(part)
            if strange:
                return None
            codes += inner
        return codes or None

    def nearest(self, text: str) -> str:
        """A hint at the nearest known name, empty where none is near."""
        return did_you_mean(fold_name(text), self.codes.values()) or did_you_mean(fold_name(text), self.codes)
