"""What the data are worth: counts kept and set aside with reasons, files, damaged lines, thresholds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.sailing.windows import STAGE as WINDOW_STAGE

# Damaged lines written out on the page; all of them stand in the table.
MOST_REJECTED = 50


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason and how often it was given; `share` of all that the stage saw."""

    reason: str
    kept: bool
    count: int
    share: float | None


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of the chain.

    `kept` and `aside` are sums, and shares make sense, only where the stage parts one kind of thing into what it keeps
    (one reason) and what it sets aside; they are None where it counts several kinds of things.
    """

    name: str
    kept: int | None
    aside: int | None
    reasons: tuple[Reason, ...]

    @property
    def kept_share(self) -> float | None:
        """Share kept; None where shares make no sense."""
        return None if self.kept is None or self.aside is None else self.kept / (self.kept + self.aside)

    @property
    def lost_to(self) -> tuple[Reason, ...]:
        """Reasons for setting aside, most frequent first."""
        return tuple(r for r in self.reasons if not r.kept)


@dataclass(frozen=True, slots=True)
class LogFile:
    """One log file and its lines."""

    file: str
    lines: int
    used: int
    passed_over: int
    rejected: int
    sha256: str


@dataclass(frozen=True, slots=True)
class RejectedLine:
    """One damaged line."""

    file: str
    line: int | None
    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Threshold:
    """One limit of the window search and why it has that value."""

    name: str
    value: float | None
    unit: str
    why: str


@dataclass(frozen=True, slots=True)
class Quality:
    """Everything the quality section shows. `rejected` holds the first ones; `rejected_total` counts all."""

    stages: tuple[Stage, ...]
    files: tuple[LogFile, ...]
    rejected: tuple[RejectedLine, ...]
    rejected_total: int
    rejected_by_reason: tuple[tuple[str, int], ...]
    thresholds: tuple[Threshold, ...]

    @property
    def use(self) -> Stage | None:
        """How the logged time was used: the stage that parts samples into steady windows and reasons."""
        return next((s for s in self.stages if s.name == WINDOW_STAGE and s.kept is not None), None)

    @property
    def other_stages(self) -> tuple[Stage, ...]:
        """All the others."""
        return tuple(s for s in self.stages if s is not self.use)

    @property
    def lines(self) -> int:
        """Lines of all files."""
        return sum(f.lines for f in self.files)


def quality(tables: Mapping[str, pl.DataFrame]) -> Quality:
    """The quality section from `flags`, `files`, `rejected` and `thresholds`."""
    rejected = tables["rejected"]
    first = rejected.sort("file", "line", nulls_last=True).head(MOST_REJECTED)
    by_reason = rejected.group_by("reason").len().sort(["len", "reason"], descending=[True, False])
    return Quality(
        stages=tuple(_stage(str(n), rows) for (n,), rows in tables["flags"].group_by("stage", maintain_order=True)),
        files=tuple(
            LogFile(**{k: r[k] for k in LogFile.__dataclass_fields__})
            for r in tables["files"].sort("file").iter_rows(named=True)
        ),
        rejected=tuple(
            RejectedLine(r["file"], r["line"], r["reason"] or "", r["text"] or "") for r in first.iter_rows(named=True)
        ),
        rejected_total=rejected.height,
        rejected_by_reason=tuple((r["reason"] or "", r["len"]) for r in by_reason.iter_rows(named=True)),
        thresholds=tuple(
            Threshold(r["name"], r["value"], r["unit"] or "", r["why"] or "")
            for r in tables["thresholds"].iter_rows(named=True)
        ),
    )


def _stage(name: str, rows: pl.DataFrame) -> Stage:
    whole = int(rows["count"].sum() or 0)
    parts = rows.filter("kept").height == 1 and whole > 0
    ordered = rows.sort(["kept", "count", "reason"], descending=[True, True, False])
    return Stage(
        name=name,
        kept=int(rows.filter("kept")["count"].sum()) if parts else None,
        aside=int(rows.filter(~pl.col("kept"))["count"].sum()) if parts else None,
        reasons=tuple(
            Reason(r["reason"] or "", r["kept"], r["count"], r["count"] / whole if parts else None)
            for r in ordered.iter_rows(named=True)
        ),
    )
