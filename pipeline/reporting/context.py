"""What a report says about the run beside its tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from pipeline.problems import Problem
from pipeline.reporting.numbers import Numbers


@dataclass(frozen=True, slots=True)
class ReportContext:
    """Facts for the reports that no table holds.

    `campaign` is the name of the campaign's folder; `invented` marks demonstration data on every page; `notes` are
    further approximations in use, a sentence each; `written` is the time printed at the foot (none: nothing printed,
    so that equal inputs give equal pages); `table_names` are the tables to link to (default: those handed over).
    """

    campaign: str = ""
    invented: bool = False
    warnings: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    written: datetime | None = None
    table_names: tuple[str, ...] | None = None
    numbers: Numbers = field(default_factory=Numbers)
    extra: Mapping[str, str] = field(default_factory=dict)
