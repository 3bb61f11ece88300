"""What a report says about the run beside its tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from pipeline.campaign.settings import Boat
from pipeline.problems import Problem
from pipeline.reporting.numbers import LANGUAGES, Numbers, numbers_for


@dataclass(frozen=True, slots=True)
class ReportContext:
    """Facts for the reports that no table holds.

    `campaign` is the name of the campaign's folder; `invented` marks demonstration data on every page; `notes` are
    further approximations in use, a sentence each; `written` is the time printed at the foot (none: nothing printed,
    so that equal inputs give equal pages); `table_names` are the tables to link to (default: those handed over);
    `numbers`: how they are written; `single_files`: each page also as one file to send.
    """

    campaign: str = ""
    invented: bool = False
    warnings: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    written: datetime | None = None
    table_names: tuple[str, ...] | None = None
    numbers: Numbers = field(default_factory=Numbers)
    single_files: bool = False
    extra: Mapping[str, str] = field(default_factory=dict)


# Under [extra] in boat.toml: the language whose way of writing numbers the pages follow.
NUMBER_LANGUAGE = "number_language"


def numbers_of(boat: Boat) -> tuple[Numbers, tuple[Problem, ...]]:
    """How the reader of this boat's pages writes numbers, and a warning where `boat.toml` names no known language."""
    language = boat.extra.get(NUMBER_LANGUAGE, "en")
    numbers = numbers_for(language)
    if numbers is not None:
        return numbers, ()
    said = f"[extra] {NUMBER_LANGUAGE} {str(language)[:40]!r} is none of {', '.join(LANGUAGES)}; written as in en"
    return Numbers(), (Problem("boat.toml", said, fatal=False),)
