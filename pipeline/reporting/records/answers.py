"""The answer at the top of each page, in sentences made from the records."""

from __future__ import annotations

from pipeline.campaign.settings import UNLOGGED
from pipeline.reporting.numbers import MISSING, Numbers, plural
from pipeline.reporting.records.changes import Change, Changes, Strip
from pipeline.reporting.records.ledger import Ledger, LedgerRow, lucky_moved
from pipeline.reporting.records.quality import Quality
from pipeline.reporting.records.sailed import FlownAgainstFastest
from pipeline.reporting.records.season import Season

NOT_ENOUGH = (
    "Nothing was sailed steadily often enough for a measured speed: the pages show what was logged and why it was "
    "set aside."
)


def season_answer(season: Season, quality: Quality, numbers: Numbers) -> tuple[str, ...]:
    """What was sailed and read."""
    files = plural(len(quality.files), "log file")
    lines = (
        f"{files} read, {numbers.count(quality.lines)} lines, of which {numbers.count(quality.rejected_total)} damaged."
    )
    if season.minutes == 0 and season.windows == 0:
        return "No sailing was found in the logs.", lines
    sets = [s for s in season.sets if s.minutes > 0]
    sailed = (
        f"{numbers.duration(season.minutes)} in {plural(season.sessions, 'session')} under "
        f"{plural(len(sets), 'sail set')}; {plural(season.windows, 'steady window')} kept, "
        f"{numbers.duration(season.steady_minutes)} on {plural(season.days, 'day')}."
    )
    return sailed, lines


def analyst_answer(season: Season, flown: FlownAgainstFastest, quality: Quality, numbers: Numbers) -> tuple[str, ...]:
    """Which sets were fastest against flown, and what the data are worth."""
    said = []
    if season.windows == 0:
        said.append(NOT_ENOUGH)
    elif flown.share_fastest is None:
        said.append(
            "Whether the fastest set was up cannot be said: nowhere are two sets measured well enough to be compared."
        )
    else:
        said.append(
            f"{numbers.percent(flown.share_fastest)} of the steady time that can be judged was sailed with the set "
            f"that measured fastest; the mean loss against it was {numbers.plain(flown.loss_pct, 1)} % of speed."
        )
        said.append(
            f"Judged: {numbers.duration(flown.judged_minutes)} of {numbers.duration(flown.steady_minutes)} steady. A "
            f"clearly slower set was up for {numbers.duration(flown.clearly_slower_minutes)}."
        )
        worst = max(flown.sets, key=lambda s: (s.loss_pct or 0.0) * s.judged_minutes)
        if worst.mostly_instead and (worst.loss_pct or 0.0) > 0:
            said.append(
                f"Most was lost under {worst.sail_set}: {numbers.plain(worst.loss_pct, 1)} % over "
                f"{numbers.duration(worst.judged_minutes)}, mostly where {worst.mostly_instead} measured faster."
            )
    said.extend(season_answer(season, quality, numbers))
    return tuple(said)


def sailmaker_answer(ledger: Ledger, numbers: Numbers, has_design: bool) -> tuple[str, ...]:
    """Which borders moved, by how much, which are confirmed, what is untested."""
    if not ledger.rows:
        if has_design:
            return ("The designed chart has no border that the data could be laid against.",)
        return ("No designed chart was given: the page shows the measured borders alone.",)
    moved, part = ledger.of("moved"), ledger.of("moved in part")
    confirmed, open_ = ledger.of("confirmed"), ledger.of("undecided", "untested")
    counts = (
        (moved, "moved"),
        (part, "moved in part"),
        (confirmed, "confirmed"),
        (open_, "not decided by the data yet"),
    )
    found = ", ".join(f"{len(rows)} {name}" for rows, name in counts if rows)
    pairs = {frozenset((r.set_a, r.set_b)) for r in ledger.rows}
    lines = plural(len(ledger.rows), "designed border line")
    said = [f"Of {lines} ({plural(len(pairs), 'pair')} of sets, in wind speed or in angle): {found}."]
    said += [_moved(r, numbers) for r in (*moved, *part)[:3]]
    tested = sum(r.number("moved") + r.number("confirmed") for r in ledger.rows)
    if tested:
        points = sum(r.number("moved") for r in ledger.rows)
        said.append(
            f"Point by point: {numbers.count(points)} of {plural(tested, 'decided point')} moved; luck alone would "
            f"call up to about {numbers.plain(lucky_moved(ledger.rows), 0)} of them moved."
        )
    return tuple(said)


def _moved(row: LedgerRow, numbers: Numbers) -> str:
    direction = {"kn": "in wind speed", "deg": "in angle"}[row.unit]
    cost = (
        ""
        if row.cost_s_per_nm is None
        else f"; costs {numbers.plain(row.cost_s_per_nm, 1)} s a mile between the two borders"
    )
    unit = " kn" if row.unit == "kn" else "°"
    return (
        f"{row.set_a} to {row.set_b}, {direction}: {numbers.signed(row.shift, 1)}{unit} from the design "
        f"({numbers.span(row.shift_low, row.shift_high, 1, sign=True)}){cost}."
    )


def coach_answer(changes: Changes, season: Season, numbers: Numbers) -> tuple[str, ...]:
    """When to change, close-hauled, running, and reaching where most is known."""
    sets = {s.sail_set for s in season.sets}
    if season.windows == 0:
        return (NOT_ENOUGH,)
    if sets == {UNLOGGED}:
        return ("Without a sail log no change of sails can be told: all time counts as one set, unlogged.",)
    if not changes.total:
        return (
            "No border between two sets could be measured: no two sets are both known well enough in the same wind.",
        )
    said = [f"Close-hauled: {advice(c, numbers)}" for c in changes.beats[:3]]
    said += [f"Running: {advice(c, numbers)}" for c in changes.runs[:3]]
    said += [f"At {s.at:g}°: {advice(c, numbers)}" for s, c in _surest(changes.by_angle)]
    return tuple(said[:6]) or ("Borders were measured only at single angles: see the strips below.",)


def advice(change: Change, numbers: Numbers) -> str:
    """One change in words, rounded as a crew can use it."""
    unit = "kn" if change.unit == "kn" else "°"
    gap = " " if unit == "kn" else ""

    def write(value: float | None) -> str:
        return MISSING if value is None else f"{numbers.plain(value, 1 if value % 1 else 0)}{gap}{unit}"

    head = f"{change.set_a} to {change.set_b}"
    if change.crossing is None:
        return f"{head} somewhere {numbers.span(change.from_, change.until, 0)}{gap}{unit}."
    about = f"{head} at about {write(change.rounded)}"
    if change.low is None and change.high is None:
        return f"{about}, but the data close neither side."
    if change.high is None:
        return f"{about}; not before {write(change.from_)}, how much later the data cannot say."
    if change.low is None:
        return f"{about}; not after {write(change.until)}, how much earlier the data cannot say."
    band = f"between {write(change.from_)} and {write(change.until)} it does not matter"
    return f"{head} at {write(change.rounded)}" + ("." if change.from_ == change.until else f"; {band}.")


def _surest(strips: tuple[Strip, ...]) -> list[tuple[Strip, Change]]:
    """The narrowest change of each pair of sets, one angle a pair."""
    best: dict[tuple[str, str], tuple[float, Strip, Change]] = {}
    for strip in strips:
        for c in strip.changes:
            if c.low is None or c.high is None:
                continue
            pair = (min(c.set_a, c.set_b), max(c.set_a, c.set_b))
            if pair not in best or c.high - c.low < best[pair][0]:
                best[pair] = (c.high - c.low, strip, c)
    return [(s, c) for _, s, c in sorted(best.values(), key=lambda v: (v[0], v[1].at))]
