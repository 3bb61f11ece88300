"""What people aboard wrote: sail log with its ordinary slips, settings, races, excluded time, and `boat.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from demo_maker.dice import Dice
from demo_maker.instruments import SENSOR_HEIGHT_M, VARIATION_DEG
from demo_maker.log_writers import start_of
from demo_maker.sail_wardrobe import NAMED_SETS, SAILS, SETS
from demo_maker.sailing import ENGINE, Track, change_s, seconds_of
from demo_maker.season_plan import DAYS, FOUL_STRETCH, HULL_CLEANED_DATE, Day

YACHT = "Brindlewake"


@dataclass(frozen=True)
class Entry:
    """One line of the sail log."""

    when: datetime
    action: str
    sail: str
    note: str = ""

    def row(self) -> str:
        return f"{self.when:%Y-%m-%dT%H:%M:%SZ},{self.action},{self.sail},{self.note}"


def stamp(when: datetime) -> str:
    """RFC 3339, UTC."""
    return f"{when:%Y-%m-%dT%H:%M:%SZ}"


def sail_log_rows(tracks: dict[str, Track]) -> tuple[list[str], list[str]]:
    """Rows of `sail_log.csv`, and a list of the slips put in (for the truth note)."""
    rows, slips = ["time,action,sail,note"], []
    for day in DAYS:
        groups = _true_entries(day, tracks[day.date])
        groups, told = _with_slips(day, groups)
        slips += told
        rows += [entry.row() for group in groups for entry in group]
    return rows, slips


def _true_entries(day: Day, track: Track) -> list[list[Entry]]:
    """One group of entries a change, written soon after it was done: by the minute in races, else by ten seconds."""
    late = Dice(f"pencil {day.date}").normal(200)
    start, groups = start_of(day), []
    step = 60 if day.race else 10
    for k, (second, old, new) in enumerate(track.changes):
        if old == ENGINE:
            when = start + timedelta(seconds=second // 60 * 60)
            groups.append([Entry(when, "flying", " ".join(SETS[new].sails))])
            if SETS[new].reef < 1.0:
                groups.append([Entry(when + timedelta(seconds=30), "reef", "MN")])
        else:
            noticed = second + change_s(old, new) + abs(late[k]) * 18.0
            groups.append(_change(start + timedelta(seconds=round(noticed / step) * step), old, new))
    end = start + timedelta(seconds=seconds_of(day))
    groups.append([Entry(end, "drop", c, "end of the day") for c in SETS[track.changes[-1][2]].sails])
    return groups


def _change(when: datetime, old: str, new: str) -> list[Entry]:
    """Hoists and drops that make one set of another; reefs first."""
    out = []
    if SETS[new].reef < SETS[old].reef:
        out.append(Entry(when, "reef", "MN"))
    if SETS[new].reef > SETS[old].reef:
        out.append(Entry(when, "shake", "MN"))
    out += [Entry(when, "drop", c) for c in SETS[old].sails if c not in SETS[new].sails]
    return out + [Entry(when, "hoist", c) for c in SETS[new].sails if c not in SETS[old].sails]


def _with_slips(day: Day, groups: list[list[Entry]]) -> tuple[list[list[Entry]], list[str]]:
    """The day's slips. Each is one that sail logs are full of; the list says what was done to which entry."""
    told: list[str] = []
    dice = Dice(f"names {day.date}").uniform(400)
    k = 0
    for group in groups:
        for i, entry in enumerate(group):
            names = SAILS[entry.sail].aliases if entry.sail in SAILS else ()
            if names and dice[k % 400] < 0.10:
                group[i] = Entry(entry.when, entry.action, names[int(dice[(k + 200) % 400] * len(names))], entry.note)
            k += 1
    if day.date == "2026-06-07":
        groups[3] = [groups[3][0], *groups[3]]
        told.append(f"{stamp(groups[3][0].when)}: the first entry stands twice")
    if day.date == "2026-06-27":
        groups[2], groups[3] = groups[3], groups[2]
        told.append(f"{stamp(groups[3][0].when)}: written after the change that followed it (out of order)")
    if day.date == "2026-07-11":
        late = [Entry(e.when + timedelta(minutes=6), e.action, e.sail, "wrote this down late") for e in groups[5]]
        told.append(f"{stamp(groups[5][0].when)}: entered 6 min late")
        groups[5] = late
    if day.date == "2026-07-25":
        i = next(i for i, g in enumerate(groups) if {e.action for e in g} == {"drop", "hoist"} and _swaps_bowsprit(g))
        lost = next(e for e in groups[i] if e.action == "drop" and SAILS[_code(e.sail)].station == "bowsprit")
        told.append(f"{stamp(lost.when)}: the drop of {lost.sail} was forgotten")
        groups[i] = [e for e in groups[i] if e is not lost]
    if day.date == "2026-08-02":
        told.append(
            f"{stamp(groups[1][0].when)} and {stamp(groups[2][0].when)}: a change and the change back not written"
        )
        del groups[1:3]
    return groups, told


def _code(name: str) -> str:
    return next(c for c, s in SAILS.items() if name == c or name in s.aliases)


def _swaps_bowsprit(group: list[Entry]) -> bool:
    stations = [(e.action, SAILS[_code(e.sail)].station) for e in group]
    return ("drop", "bowsprit") in stations and ("hoist", "bowsprit") in stations


def settings_rows() -> list[str]:
    """Rows of `settings_log.csv`."""
    rows = ["time,item,value,unit,note"]
    cleaned = False
    for day in DAYS:
        start = start_of(day)
        if day.date > HULL_CLEANED_DATE and not cleaned:
            rows.append(f"{HULL_CLEANED_DATE}T15:00:00Z,hull,cleaned,,divers in the morning")
            cleaned = True
        if day.motor_min:
            rows.append(f"{stamp(start)},engine,on,,out through the entrance")
            rows.append(f"{stamp(start + timedelta(minutes=day.motor_min))},engine,off,,")
        rows += [f"{stamp(start + timedelta(minutes=m))},sea,{label},," for m, label in day.sea]
    return [rows[0], *sorted(rows[1:])]


def race_rows() -> list[str]:
    """Rows of `races.csv`."""
    rows = ["name,start,finish"]
    for day in DAYS:
        if day.race:
            start = start_of(day)
            name = f'"{day.race}"' if "," in day.race else day.race
            finish = start + timedelta(seconds=seconds_of(day) - 240)
            rows.append(f"{name},{stamp(start + timedelta(minutes=5))},{stamp(finish)}")
    return rows


def exclude_rows() -> list[str]:
    """Rows of `exclude.csv`."""
    date, minute, length, reason = FOUL_STRETCH
    start = start_of(next(d for d in DAYS if d.date == date)) + timedelta(minutes=minute)
    return ["start,finish,reason", f"{stamp(start)},{stamp(start + timedelta(minutes=length))},{reason}"]


def boat_toml() -> str:
    """`boat.toml` of the invented yacht."""
    return "\n".join([_head(), *(_sail(code) for code in SAILS), *(_set(name) for name in NAMED_SETS), _tail()])


def _head() -> str:
    return f"""# An invented yacht for the demo: no such boat exists. Written by make_demo.py.
[boat]
name = "{YACHT}"
loa_m = 20.6
lwl_m = 19.0

[instruments]
wind_sensor_height_m = {SENSOR_HEIGHT_M}
variation_deg = {VARIATION_DEG}
time_zone = "UTC"

# What the crew believes from last season; not quite what is true (see truth/NOTE.md).
[calibration]
awa_offset_deg = -0.5
upwash_deg = 2.2
leeway_coefficient = 20.0

[design]
height_m = 10.0
twa_from = "course"

[displays]
wind_height_m = {SENSOR_HEIGHT_M}
corrected = false
twa_from = "heading"
"""


def _sail(code: str) -> str:
    s = SAILS[code]
    lines = [
        f"[sails.{code}]",
        f'kind = "{s.kind}"',
        f'station = "{s.station}"',
        f"area_m2 = {s.area_m2}",
        f"weight_kg = {s.weight_kg}",
    ]
    if s.max_aws_kn is not None:
        lines.append(f"max_aws_kn = {s.max_aws_kn}")
    lines += [f"luff_m = {s.luff_m}", f"foot_m = {s.foot_m}", f"half_width_m = {s.half_width_m}"]
    if s.perpendicular_m is not None:
        lines.append(f"perpendicular_m = {s.perpendicular_m}")
    if s.leech_m is not None:
        lines.append(f"leech_m = {s.leech_m}")
    if s.required:
        lines.append("required = true")
    if s.aliases:
        lines.append("aliases = [" + ", ".join(f'"{a}"' for a in s.aliases) + "]")
    if s.recut:
        lines += [f"[[sails.{code}.versions]]", f"from = {s.recut[0]}", f'note = "{s.recut[1]}"']
    return "\n".join(lines) + "\n"


def _set(name: str) -> str:
    spec = SETS[name]
    quoted = ", ".join(f'"{c}"' for c in spec.sails)
    strut = ", ".join(f'"{c}"' for c in spec.outrigger)
    return f'[[sail_sets]]\nname = "{name}"\nsails = [{quoted}]\nsheeted_to_outrigger = [{strut}]\n'


def _tail() -> str:
    return """[rules]
outrigger_only_inside_headsail = true
max_sails_aboard = 9
max_sail_weight_kg = 520

[channels]
transducers = { HEEL = "heel", TRIM = "pitch" }
talkers = { wind = "WI", heading = "HC" }

[csv]
delimiter = ";"
decimal = ","
time_format = "auto"
[csv.columns]
time = "when"
lat = "lat"
lon = "lon"
sog = "sog"
cog = "cog"
bsp = { column = "log m/s", unit = "m/s" }
hdg_mag = "heading"
awa = "wind angle"
aws = { column = "wind m/s", unit = "m/s" }
heel = "heel"
rudder = "rudder"

[extra]
invented = true  # the yacht, her crew and her season
"""
