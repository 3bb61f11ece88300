"""The two notes beside the demo: what the campaign is, and what is true of it. Their figures come from the model."""

from __future__ import annotations

from demo_maker.crews_papers import YACHT
from demo_maker.instruments import TRUE_CALIBRATION, TRUE_UPWASH_DEG
from demo_maker.sail_wardrobe import RECUT_DATE
from demo_maker.sailing import ENGINE
from demo_maker.season_plan import FOUL_STRETCH, HULL_CLEANED_DATE

NOT_MUCH_DEG = 4.0
NOT_MUCH_KN = 1.0

CAMPAIGN = """# {yacht}: an invented yacht, an invented season

Nothing here was measured. There is no such boat, crew, sailmaker, race or harbour; the position is open ocean.
The folder is a campaign as peelpoint reads it (`boat.toml`, `sail_log.csv`, `logs/`, `designed.csv` and the rest).
`python sample_logs/make_demo.py` writes all of it again, byte for byte; the rest is its source, or its truth:

- `demo_maker/` holds the yacht as a model (`boat_model.py`, `sail_wardrobe.py`), the season (`season_plan.py`,
  `weather.py`, `sailing.py`), the instruments and the people who wrote things down;
- `truth/` holds what is true of the model. It is never an input.

## How the yacht was made

Sail forces: lift and drag coefficients of main, jib and spinnaker by apparent wind angle after G. S. Hazen (1980),
recalled from memory and not confirmed: an assumption of this invented boat, a reference for nothing. The other curves
are made up between them. Resistance of waves: the means by Froude number of the Delft towing-tank series (UCI Machine
Learning Repository, Yacht Hydrodynamics, doi 10.24432/C5XG7R, CC BY 4.0), scaled to a lighter hull and carried on above
Froude number 0.45 by an invented slope. Heel, leeway, and the loss of lift in the waves of a wind too strong for a set:
invented. The speed of a set in a wind is where drive equals resistance, the sails flattened as is fastest.

## Where the designed chart is off

The chart was drawn from the same model with three errors of the designer's mixed in, and smoothed to whole degrees:

{errors}

Its other borders agree with the truth to within the smoothing. Every border: `truth/design_errors.csv` and
`truth/design_errors_made_good.csv`.

## What is in the season

Fourteen days of two to three hours, June to August 2026: training days on which two sets were sailed against each other
in turn, and three races on which the crew sailed by the designed chart and changed late. Logs are NMEA 0183 (plain,
with TAG blocks, behind RFC 3339 stamps with wind twice a second, in two files with the instruments off between) and CSV
(semicolons, decimal commas, metres a second), some gzipped. One day has a handful of damaged lines. The sail log has
ordinary slips, listed in `truth/NOTE.md`."""

TRUTH = """# The truth of the demo: not an input

For tests and curious readers, to hold peelpoint's answers against. All of it is of the model that made the demo.

- `speeds.csv`: steady speed, heel and leeway of each set on an ordinary day; TWS at 10 m over the water, TWA from the
  course through the water. SR+ST stands twice: as first cut, and from {recut} as recut. Rows where a set cannot
  be carried are left out. The season's mean day is the ordinary day.
- `borders.csv`: where the fastest set changes (SR recut), in the columns of the `crossovers` table.
- `design_errors.csv`, `design_errors_made_good.csv`: the designed chart against the truth (SR recut).
- `flown.csv`: the sets that were really up, by the second. `engine` is motoring without sails.
- `days.csv`: each day's speed against an ordinary day, its wind and current, and how it was logged.
- `damaged_lines.csv`: the lines that are damaged.

True corrections, in the sense of `[calibration]`: {calibration};
`upwash_deg` by set: {upwash};
`leeway_coefficient` near 20 close-hauled. `boat.toml` gives what the crew believes, which is not quite that. The
compass has a deviation of up to 0.9 deg; the wind at the masthead differs from the log law by a per cent or two from
day to day. The hull fouled by 0.035 per cent a day and was cleaned on {cleaned}. On {date}, {begin:.0f} to {end:.0f}
min after the start, the boat was a tenth slow ({reason}).

Slips in the sail log, besides aliases and stamps that are rounded and a little late:

{slips}"""


def campaign_note(made_good: list[str], by_angle: list[str]) -> list[str]:
    """`NOTE.md`: invented, how made, and where the design is off (rows of the two tables of errors)."""
    return CAMPAIGN.format(yacht=YACHT, errors="\n".join(_errors(made_good, by_angle))).split("\n")


def _errors(made_good: list[str], by_angle: list[str]) -> list[str]:
    out = []
    for row in made_good[1:]:
        a, b, mode, designed, true, shift = row.split(",")
        if abs(float(shift)) >= NOT_MUCH_KN:
            out.append(f"- {a} to {b}, {mode}: designed at {designed} kn, true {true} kn ({float(shift):+.1f} kn).")
    shifts: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for row in by_angle[1:]:
        a, b, tws, _, _, shift = row.split(",")
        shifts.setdefault((a, b), []).append((float(tws), float(shift)))
    for (a, b), values in shifts.items():
        off = [(w, s) for w, s in values if abs(s) >= NOT_MUCH_DEG]
        if off:
            worst = max((s for _, s in off), key=abs)
            winds = f"{off[0][0]:.0f} kn" if len(off) == 1 else f"{off[0][0]:.0f} to {off[-1][0]:.0f} kn"
            side = "broad" if worst > 0 else "narrow"
            out.append(f"- {a} to {b} along the angle, {winds}: designed up to {abs(worst):.0f} deg too {side}.")
    return out


def truth_note(slips: list[str]) -> list[str]:
    """`truth/NOTE.md`: what each file says, the true calibration, and the slips."""
    date, minute, length, reason = FOUL_STRETCH
    text = TRUTH.format(
        recut=RECUT_DATE,
        calibration=", ".join(f"`{key}` {value:g}" for key, value in TRUE_CALIBRATION.items()),
        upwash=", ".join(f"{name} {value:g}" for name, value in TRUE_UPWASH_DEG.items() if name != ENGINE),
        cleaned=HULL_CLEANED_DATE,
        date=date,
        begin=minute,
        end=minute + length,
        reason=reason,
        slips="\n".join(f"- {slip}." for slip in slips),
    )
    return text.split("\n")
