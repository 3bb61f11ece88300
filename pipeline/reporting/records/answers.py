"""The answer at the top of each page, in sentences made from the records."""

from __future__ import annotations

from pipeline.campaign.settings import UNLOGGED
from pipeline.reporting.numbers import Numbers, plural
from pipeline.reporting.records.changes import Change, Changes, Strip
from pipeline.reporting.records.guesses import Guess, guess_words
from pipeline.reporting.records.ledger import Border, Ledger, lucky_moved
from pipeline.reporting.records.quality import Quality
from pipeline.reporting.records.sailed import FlownAgainstFastest, Loss
from pipeline.reporting.records.season import Season
from pipeline.reporting.records.wording import advice, measure, named, places, shift_words

# Borders and reasons that an answer names; the tables below it name all.
MOST_NAMED = 3

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
    """Whether a slower set was up, how much could be judged, and how much of the season was used."""
    said = []
    split = flown.split
    if season.windows == 0:
        said.append(NOT_ENOUGH)
    elif not split.judged:
        said.append(
            "Whether the fastest set was up cannot be said: nowhere are two sets measured well enough to be compared."
        )
    else:
        said.append(_slower(flown, numbers))
        said.append(
            f"Clearly the fastest set was up for {numbers.duration(split.fastest)}; for "
            f"{numbers.duration(split.in_doubt)} the data cannot tell it from another. "
            f"Not judged: {numbers.duration(flown.steady_minutes - split.judged)} where one set alone is measured."
        )
        if flown.worst:
            said.append(f"Most was lost under {loss_words(flown.worst, numbers)}.")
    said.extend(use_answer(season, quality, numbers))
    return tuple(said)


def _slower(flown: FlownAgainstFastest, numbers: Numbers) -> str:
    split = flown.split
    whole = numbers.duration(split.judged)
    if not split.slower:
        return f"In the {whole} that can be judged no clearly slower set was up."
    return (
        f"A clearly slower set was up for {numbers.duration(split.slower)} of the {whole} that can be judged, on "
        f"average {numbers.plain(flown.clear_loss_pct, 1)} % slower than the fastest."
    )


def loss_words(loss: Loss, numbers: Numbers) -> str:
    """ "J1 where J2 measures faster: 0.4 % of speed over 12 min"."""
    doubt = "" if loss.clear else " (in doubt)"
    up, instead = named(loss.sail_set), named(loss.instead)
    size = f"{numbers.plain(loss.loss_pct, 1)} % of speed over {numbers.duration(loss.minutes)}"
    return f"{up} where {instead} measures faster: {size}{doubt}"


def use_answer(season: Season, quality: Quality, numbers: Numbers) -> tuple[str, ...]:
    """How much of the logged time was used, and what most of the rest was lost to."""
    use = quality.use
    if use is None or use.kept_share is None:
        return season_answer(season, quality, numbers)
    rest = ", ".join(f"{r.reason} {numbers.percent(r.share)}" for r in use.lost_to[:MOST_NAMED])
    said = f"Used: {numbers.percent(use.kept_share)} of the logged time, {numbers.duration(season.steady_minutes)} in "
    said += f"{plural(season.windows, 'steady window')} on {plural(season.days, 'day')}."
    return (f"{said} Most of the rest was set aside for: {rest}." if rest else said,)


def sailmaker_answer(ledger: Ledger, numbers: Numbers, has_design: bool) -> tuple[str, ...]:
    """Which borders moved, by how much, which are confirmed, what is untested, and whether it may be luck."""
    if not ledger.rows:
        if has_design:
            return ("The designed chart has no border that the data could be laid against.",)
        return ("No designed chart was given: the page shows the measured borders alone.",)
    moved = ledger.of("moved", "moved in part")
    confirmed = ledger.of("confirmed")
    counts = (
        (len(moved), "moved"),
        (len(confirmed), "confirmed"),
        (len(ledger.of("undecided")), "measured without a decision"),
        (len(ledger.of("untested")), "not measured"),
    )
    found = ", ".join(f"{numbers.count(n)} {name}" for n, name in counts if n)
    said = [f"Of {plural(len(ledger.borders), 'designed border')} between two sail sets: {found}."]
    said += [_moved(b, numbers) for b in moved[:MOST_NAMED]]
    if confirmed:
        names = "; ".join(_confirmed(b, numbers) for b in confirmed[:MOST_NAMED])
        more = len(confirmed) - MOST_NAMED
        said.append(f"Confirmed: {names}{f'; and {more} more' if more > 0 else ''}.")
    return (*said, *_luck(ledger, numbers))


def _luck(ledger: Ledger, numbers: Numbers) -> list[str]:
    moved = sum(r.number("moved") for r in ledger.rows)
    decided = moved + sum(r.number("confirmed") for r in ledger.rows)
    if not decided:
        return []
    lucky = max(1, round(lucky_moved(ledger.rows)))
    return [
        f"Is it luck? Along the borders {plural(decided, 'point')} could be decided and {numbers.count(moved)} of them "
        f"moved; were the design right everywhere, about {numbers.count(lucky)} would be called moved all the same."
    ]


def _moved(border: Border, numbers: Numbers) -> str:
    row = border.tested[0]
    found = places(row.parts, "moved", row.unit, numbers)
    where = f", at {found}" if found else ""
    cost_s = row.where_moved.cost_s_per_nm
    cost = f"; sailing to the design costs {numbers.plain(cost_s, 1)} s a mile between the two borders"
    cost = "" if cost_s is None else cost
    return f"{named(row.set_a)} to {named(row.set_b)}{where}: {shift_words(row, numbers)}{cost}."


def _confirmed(border: Border, numbers: Numbers) -> str:
    row = border.tested[0]
    within = "" if row.shift is None else f" (shift {measure(row.shift, row.unit, numbers)})"
    return f"{named(row.set_a)} to {named(row.set_b)} at {places(row.parts, 'confirmed', row.unit, numbers)}{within}"


def coach_answer(
    changes: Changes, season: Season, numbers: Numbers, guesses: tuple[Guess, ...] = ()
) -> tuple[str, ...]:
    """When to change, close-hauled, running, and reaching where most is known; guesses last, and only for beats or runs
    without a measured border.
    """
    sets = {s.sail_set for s in season.sets}
    if season.windows == 0:
        return (NOT_ENOUGH,)
    if sets == {UNLOGGED}:
        return ("Without a sail log no change of sails can be told: all time counts as one set, unlogged.",)
    unmeasured = _unmeasured(changes, guesses, numbers)
    if not changes.total:
        return (
            "No border between two sets could be measured: no two sets are both known well enough in the same wind.",
            *unmeasured,
        )
    said = [f"Close-hauled: {advice(c, numbers)}" for c in changes.beats[:MOST_NAMED]]
    said += [f"Running: {advice(c, numbers)}" for c in changes.runs[:MOST_NAMED]]
    reaching = [_reach(s, c, numbers) for s, c in _surest(changes)]
    if reaching and not said:
        unmeasured.insert(0, "Close-hauled and running no border was measured.")
    room = max(0, 2 * MOST_NAMED - len(said) - len(unmeasured))
    return (*said, *reaching[:room], *unmeasured) or (
        "Borders were measured only at single angles: see the strips below.",
    )


def _unmeasured(changes: Changes, guesses: tuple[Guess, ...], numbers: Numbers) -> list[str]:
    """Guesses for beats where no border is measured on beats, and the same for runs."""
    measured = {c.mode for c in (*changes.beats, *changes.runs)}
    told = [g for g in guesses if g.compared and g.mode not in measured]
    return [f"{g.mode.capitalize()}: {guess_words(g, numbers)}" for g in told[:MOST_NAMED]]


def _reach(strip: Strip, change: Change, numbers: Numbers) -> str:
    at = f"{numbers.plain(strip.at, 0)}{'°' if strip.along == 'tws_kn' else ' kn'}"
    return f"At {at}: {advice(change, numbers)}"


def _surest(changes: Changes) -> list[tuple[Strip, Change]]:
    """The change known best of each pair of sets, one angle a pair; a pair known along the wind first, then by angle.

    Widths in knots and in degrees are no rivals: within a pair the strip along the wind speed wins.
    """
    best: dict[frozenset[str], tuple[int, float, Strip, Change]] = {}
    for kind, strips in enumerate((changes.by_angle, changes.by_wind)):
        for strip in strips:
            for c in strip.changes:
                if c.low is None or c.high is None:
                    continue
                pair = frozenset((c.set_a, c.set_b))
                if pair not in best or (kind, c.high - c.low) < best[pair][:2]:
                    best[pair] = (kind, c.high - c.low, strip, c)
    ranked = sorted(best.values(), key=lambda v: (v[0], v[1], v[2].at, v[3].set_a, v[3].set_b))
    return [(s, c) for _, _, s, c in ranked]
