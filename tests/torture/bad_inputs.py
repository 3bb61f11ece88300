"""Bad inputs of every kind: what each does to a sound campaign, the status, and what the command has to say of it.

python -m tests.torture.bad_inputs        # tries all and prints the table of the contributors' guide
"""

from __future__ import annotations

import contextlib
import gzip
import io
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb

from pipeline.cli import main
from tests.torture.small_campaign import (
    BOAT,
    DESIGNED,
    SAIL_LOG,
    SECONDS,
    START,
    as_bytes,
    log_lines,
    sentence,
    sound_campaign,
    tick,
)

Change = Callable[[Path], None]
NEW_YEAR = datetime(2028, 1, 1, 12, tzinfo=UTC)
MOST_TEXT = 110


@dataclass(frozen=True)
class Case:
    """One bad input. `says`: words that must be printed; `counts`: rows or figures that the store must then give;
    `never`: kinds of file and what none may hold."""

    name: str
    change: Change
    status: int = 0
    says: tuple[str, ...] = ()
    command: str = "ingest"
    counts: dict[str, int] = field(default_factory=dict)
    never: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Answer:
    """What the command did. `strays`: what it changed or left anywhere but in OUT."""

    status: int
    printed: str
    out: Path
    strays: tuple[str, ...]

    def count(self, query: str) -> int:
        """One number out of the store."""
        with duckdb.connect(str(self.out / "season.duckdb"), read_only=True) as store:
            ((value,),) = store.sql(query).fetchall()
        return int(value or 0)


@contextlib.contextmanager
def tried(case: Case) -> Iterator[Answer]:
    """The case in a folder of its own, gone afterwards."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        campaign, out = sound_campaign(place / "campaign"), place / "out"
        case.change(campaign)
        arguments = [case.command, str(campaign)] + ([] if case.command == "check" else ["--out", str(out)])
        before = _files_in(place, out)
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = main(arguments)
        after = _files_in(place, out)
        strays = sorted(name for name in before.keys() | after.keys() if before.get(name) != after.get(name))
        yield Answer(status, said.getvalue().replace(str(place), ""), out, tuple(strays))


def _files_in(place: Path, out: Path) -> dict[str, tuple[int, int]]:
    """Size and time of every file outside `out`."""
    files = [f for f in place.rglob("*") if f.is_file() and not f.is_relative_to(out)]
    return {f.relative_to(place).as_posix(): (f.stat().st_size, f.stat().st_mtime_ns) for f in files}


def log(content: bytes | Sequence[str], name: str = "a.nmea") -> Change:
    """The campaign's log replaced (or another added, by its name)."""
    data = content if isinstance(content, bytes) else as_bytes(content)
    return lambda folder: _write(folder / "logs" / name, data)


def text(name: str, content: str | bytes) -> Change:
    """One of the files people write, replaced."""
    data = content if isinstance(content, bytes) else content.encode("utf-8")
    return lambda folder: _write(folder / name, data)


def boat(old: str, new: str) -> Change:
    """`boat.toml` with one piece of text changed."""
    assert old in BOAT
    return text("boat.toml", BOAT.replace(old, new, 1))


def both(*changes: Change) -> Change:
    """Several changes."""

    def change(folder: Path) -> None:
        for one in changes:
            one(folder)

    return change


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def _linked(folder: Path) -> None:
    """Links: to a folder above itself, to nothing, to a file outside the campaign."""
    outside = folder.parent / "elsewhere.nmea"
    outside.write_bytes(as_bytes(log_lines(START + timedelta(hours=1))))
    (folder / "logs" / "loop").symlink_to(folder, target_is_directory=True)
    (folder / "logs" / "gone.nmea").symlink_to(folder / "nothing.nmea")
    (folder / "logs" / "other.nmea").symlink_to(outside)


def _changed(at: int, new: str) -> list[str]:
    """The sound log with one line replaced."""
    lines = log_lines()
    lines[at] = new
    return lines


def _with_offset_week() -> list[str]:
    """A receiver that has forgotten its epoch: dates 1,024 weeks back."""
    back = START - timedelta(weeks=1024)
    return log_lines(back)


def _two_wind_sensors() -> list[str]:
    lines = []
    for at, line in enumerate(log_lines()):
        lines.append(line)
        if "MWV" in line and at % 8 == 3:
            lines.append(sentence("WIMWV,60.0,R,20.0,N,A"))
    return lines


def _zoned_csv(zone: str, day: str, hours: Sequence[str]) -> Change:
    rows = ["when;awa;aws;bsp;hdg_mag"]
    rows += [
        f"{day} {hour}:{m:02d}:{s:02d};32;16;7.5;45" for hour in hours for m in range(60) for s in range(0, 60, 10)
    ]
    names = ("awa", "aws", "bsp", "hdg_mag")
    layout = '[csv]\ndelimiter = ";"\n[csv.columns]\ntime = "when"\n' + "".join(f'{n} = "{n}"\n' for n in names)
    settings = BOAT.replace("[calibration]", f'time_zone = "{zone}"\nvariation_deg = 1.0\n[calibration]') + layout
    return both(
        lambda folder: (folder / "logs" / "a.nmea").unlink(),
        text("logs/a.csv", "\n".join(rows) + "\n"),
        text("boat.toml", settings),
        text("sail_log.csv", SAIL_LOG.replace("2027-06-12T11:50:00Z", f"{day}T00:00:00Z")),
    )


_GOOD = log_lines()
_LINES = len(_GOOD)
_REJECTED = "SELECT count(*) FROM rejected"
_SAMPLES = "SELECT count(*) FROM samples"
_BALANCE = "SELECT count(*) FROM files WHERE used + passed_over + rejected != lines"
_BSP = "SELECT count(*) FROM samples WHERE bsp IS NOT NULL"

LOGS = [
    Case("sound log", lambda _: None, counts={_REJECTED: 0, _SAMPLES: SECONDS}),
    Case("line torn in the middle", log(_changed(402, _GOOD[402][:13])), counts={_REJECTED: 1}),
    Case("two lines spliced", log(_changed(402, _GOOD[402][:13] + _GOOD[403])), counts={_REJECTED: 1}),
    Case("two sentences in one line", log(_changed(402, _GOOD[402] + _GOOD[403])), counts={_REJECTED: 0}),
    Case("wrong checksum", log(_changed(402, sentence("IIVHW,,,,,9.99,N,,", "*00"))), counts={_REJECTED: 1}),
    Case("one missing checksum", log(_changed(402, sentence("IIVHW,,,,,9.99,N,,", ""))), counts={_REJECTED: 1}),
    Case("no checksum in the whole log", log([line.partition("*")[0] for line in _GOOD]), counts={_REJECTED: 0}),
    Case("checksum of one digit", log(_changed(402, sentence("IIVHW,,,,,9.99,N,,", "*4"))), counts={_REJECTED: 1}),
    Case(
        "control bytes in a line",
        log(as_bytes(_GOOD).replace(b"IIVHW,,,", b"IIVHW,,\x00\x1b,", 1)),
        counts={_REJECTED: 1},
    ),
    Case("UTF-16 with its mark", log("\r\n".join(_GOOD).encode("utf-16")), counts={_SAMPLES: SECONDS}),
    Case(
        "Latin-1 in a comment",
        log("# Böe über Kap\r\n".encode("latin-1") + as_bytes(_GOOD)),
        counts={_REJECTED: 0, _SAMPLES: SECONDS},
    ),
    Case(
        "a line of 3 MB",
        log(as_bytes(_GOOD) + b"$IIVHW," + b"9" * 3_000_000 + b"\r\n"),
        counts={_REJECTED: 1, _SAMPLES: SECONDS},
    ),
    Case("blank fields", log(_changed(402, sentence("IIVHW,,,,,,,,"))), counts={_REJECTED: 0, _BSP: SECONDS}),
    Case(
        "position 0, 0 for none",
        log([re.sub(r"5000\.\d{3},N,00100.000,W", "0000.000,N,00000.000,W", line.partition("*")[0]) for line in _GOOD]),
        counts={"SELECT count(*) FROM samples WHERE lat IS NOT NULL": 0},
    ),
    Case("every line twice", log([line for line in _GOOD for _ in (0, 1)]), counts={_REJECTED: 0}),
    Case(
        "time goes back a minute",
        log(log_lines() + log_lines(START + timedelta(seconds=SECONDS - 60))),
        counts={_REJECTED: 0},
    ),
    Case(
        "clock jumps a day ahead and back",
        log(
            log_lines(seconds=60)
            + log_lines(START + timedelta(days=1), 5)
            + log_lines(START + timedelta(minutes=1), 60)
        ),
    ),
    Case(
        "receiver 1,024 weeks off",
        both(log(_with_offset_week()), log(log_lines(START + timedelta(days=1)), "b.nmea")),
        says=("1,024 weeks off, put right (240)",),
        counts={"SELECT count(DISTINCT year(time)) FROM samples": 1},
    ),
    Case("two wind sensors", log(_two_wind_sensors()), says=("second sensor WIMWV set aside, IIMWV believed",)),
    Case(
        "two wind sensors, boat.toml chooses",
        both(log(_two_wind_sensors()), boat("[calibration]", '[channels]\ntalkers = { wind = "WI" }\n[calibration]')),
        counts={"SELECT count(*) FROM samples WHERE awa < 50": 0},
    ),
    Case("one tick in 5 s", log(log_lines(seconds=1200, step=5.0)), counts={_SAMPLES: SECONDS}),
    Case(
        "wind at 20 Hz",
        log([line for s in range(60) for line in tick(START + timedelta(seconds=s), s)[:3] + tick(START, s)[3:] * 20]),
        counts={_REJECTED: 0},
    ),
    Case(
        "a year of 366 days, one minute each",
        both(
            log(
                [
                    line
                    for day in range(366)
                    for line in log_lines(datetime(2028, 1, 1, 12, tzinfo=UTC) + timedelta(day), 60)
                ]
            ),
        ),
        counts={"SELECT count(DISTINCT CAST(time AS DATE)) FROM samples": 366},
    ),
    Case(
        "29 February",
        log(log_lines(datetime(2028, 2, 29, 23, 59, tzinfo=UTC))),
        counts={"SELECT count(DISTINCT CAST(time AS DATE)) FROM samples": 2},
    ),
    Case("29 February of a common year", log([x.partition("*")[0].replace("120627", "290227") for x in _GOOD]), 1),
    Case("CSV in local time, hour that exists twice", _zoned_csv("Europe/Berlin", "2027-10-31", ("01", "02", "03"))),
    Case("CSV in local time, hour that does not exist", _zoned_csv("Europe/Berlin", "2027-03-28", ("01", "02", "03"))),
    Case("empty log beside a good one", log(b"", "b.nmea"), counts={_SAMPLES: SECONDS}),
    Case("the same log under two names", log(_GOOD, "b.nmea"), counts={_SAMPLES: SECONDS}),
    Case("random bytes beside a good log", log(bytes(range(256)) * 400, "b.nmea"), 1, ("b.nmea",)),
    Case("log without wind", log([x for x in _GOOD if "MWV" not in x]), 1, ("no apparent wind",)),
    Case(
        "times of day without a date",
        log([re.sub(r",120627,", ",,", x.partition("*")[0]) for x in _GOOD]),
        1,
        ("start_date",),
    ),
    Case("gzip cut short", log(gzip.compress(as_bytes(_GOOD), mtime=0)[:-400], "a.nmea"), says=("cut short",)),
    Case("gzip damaged at its start", log(b"\x1f\x8b\x08\x00" + b"\xff" * 200, "b.nmea.gz"), 1, ("b.nmea.gz", "gzip")),
    Case("gzip that unfolds to 100 MB of nothing", log(gzip.compress(bytes(100 << 20)), "b.nmea.gz"), 1, ("unfold",)),
    Case("links: to itself, to nothing, out of the folder", _linked, says=("loop", "gone.nmea", "other.nmea")),
    Case(
        "file name with markup, quotes, SQL",
        log(log_lines(START + timedelta(hours=1)), "<b>'); DROP TABLE samples; --\".nmea"),
        command="run",
        counts={_SAMPLES: 2 * SECONDS},
        never=((".html", "<b>');"),),
    ),
]
PEOPLE = [
    Case("boat.toml is not TOML", text("boat.toml", "[boat\nname = 3"), 1, ("boat.toml", "line 1"), "check"),
    Case("boat.toml nested 3,000 deep", text("boat.toml", "x = " + "[" * 3000), 1, ("nested",), "check"),
    Case("unknown key", boat("loa_m", "lao_m"), 1, ("lao_m", "line 3"), "check"),
    Case("a length that is no number", boat("12.0", "nan"), 1, ("loa_m",), "check"),
    Case(
        "two sets of the same sails",
        boat('name = "A2"\nsails = ["MN", "A2"]', 'name = "Jib"\nsails = ["MN", "J1"]'),
        1,
        ("J1",),
        "check",
    ),
    Case(
        "boat's name with markup and path",
        boat("Wet hands", "../../<script>alert(1)</script>"),
        command="run",
        never=((".html", "<script>alert"),),
    ),
    Case(
        "sail log without a heading", text("sail_log.csv", SAIL_LOG.partition("\n")[2]), 1, ("sail_log.csv",), "check"
    ),
    Case("sail log of random bytes", text("sail_log.csv", bytes(range(256))), 1, ("sail_log.csv",), "check"),
    Case("sail that boat.toml does not know", text("sail_log.csv", SAIL_LOG.replace("J1", "J9")), 1, ("J9",), "check"),
    Case("the same, run all the same", text("sail_log.csv", SAIL_LOG.replace("J1", "J9")), 0, ("J9",), "run"),
    Case("unknown action", text("sail_log.csv", SAIL_LOG.replace("flying", "flown")), 1, ("flown", "line 2"), "check"),
    Case("time that is none", text("sail_log.csv", SAIL_LOG.replace("11:50", "25:50")), 1, ("line 2",), "check"),
    Case("no sail log", lambda folder: (folder / "sail_log.csv").unlink(), 0, ("unlogged",), "run"),
    Case(
        "note with a spreadsheet formula",
        text("sail_log.csv", SAIL_LOG[:-1] + "=1+1\n"),
        command="run",
        never=((".csv", ",=1+1"), (".csv", "\n=1+1")),
    ),
    Case("design of an unknown set", text("designed.csv", DESIGNED.replace("J1", "J7")), 1, ("J7",), "check"),
    Case(
        "design with infinite wind", text("designed.csv", DESIGNED.replace("30,90", "inf,90")), 1, ("line 4",), "check"
    ),
    Case("ring of two corners", text("designed.csv", "\n".join(DESIGNED.split("\n")[:3]) + "\n"), 1, ("J1",), "check"),
    Case(
        "race that ends before it starts",
        text("races.csv", "name,start,finish\nR1,2027-06-12T13:00:00Z,2027-06-12T12:00:00Z\n"),
        1,
        ("races.csv", "line 2"),
        "check",
    ),
    Case(
        "race name with markup",
        text(
            "races.csv", "name,start,finish\n<img src=x onerror=alert(1)>,2027-06-12T12:00:00Z,2027-06-12T12:03:00Z\n"
        ),
        command="run",
        never=((".html", "<img src=x"),),
    ),
    Case("no logs folder", lambda folder: shutil.rmtree(folder / "logs"), 1, ("logs",), "run"),
    Case("no such campaign", lambda folder: shutil.rmtree(folder), 1, ("no such folder",), "run"),
]
CASES = [*LOGS, *PEOPLE]


def faults(case: Case, answer: Answer) -> list[str]:
    """How the answer differs from what was to be expected."""
    found = [] if answer.status == case.status else [f"status {answer.status} instead of {case.status}"]
    found += [f"does not say {word!r}" for word in case.says if word not in answer.printed]
    found += [f"touched {name}, outside OUT" for name in answer.strays]
    if "Traceback" in answer.printed:
        found.append("a traceback")
    if answer.status == 0 and case.command != "check":
        counted = {query: answer.count(query) for query in (_BALANCE, *case.counts)}
        wanted = {_BALANCE: 0, **case.counts}
        found += [f"{q} gives {counted[q]} instead of {wanted[q]}" for q in wanted if counted[q] != wanted[q]]
    for suffix, bad in case.never:
        files = [f for f in answer.out.rglob(f"*{suffix}") if bad in f.read_text("utf-8")]
        found += [f"{f.name} holds {bad!r}" for f in files]
    if answer.status != 0 and (answer.out / "season.duckdb").exists():
        found.append("a store is left")
    return found


def remark(answer: Answer) -> str:
    """The first error; else what was rejected, and the first warning or note about the logs; else "nothing"."""
    lines = answer.printed.splitlines()
    if answer.status:
        return next((x for start in ("error: ", "peelpoint: ") for x in lines if x.startswith(start)), "")
    said = [next((x for start in ("warning: ", "In the logs: ") for x in lines if x.startswith(start)), "")]
    if answer.out.exists():
        with duckdb.connect(str(answer.out / "season.duckdb"), read_only=True) as store:
            reasons = store.sql("SELECT reason, count(*) FROM rejected GROUP BY 1 ORDER BY 1").fetchall()
        said = [f"rejected: {reason} ({count:,})" for reason, count in reasons] + said
    return "; ".join(x for x in said if x) or "nothing"


def row(case: Case, answer: Answer) -> str:
    """Its row in the contributors' guide."""
    said = remark(answer)
    said = (said if len(said) <= MOST_TEXT else said[:MOST_TEXT] + "…").replace("|", "\\|").replace("<", "&lt;")
    return f"| {case.name} | {case.command} | {answer.status} | {said} |"


def table() -> str:
    """The table of the contributors' guide."""
    rows = ["| input | command | status | what it says first |", "|---|---|---|---|"]
    for case in CASES:
        with tried(case) as answer:
            rows.append(row(case, answer))
    return "\n".join(rows)


if __name__ == "__main__":
    print(table())
