"""What the store remembers of each piece of the season: what it was made from, and what it said of the season."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.campaign import Campaign
from pipeline.digests import digest_of
from pipeline.ingest.store import Store
from pipeline.sailing.corrections_in_force import in_force_during
from pipeline.sailing.engine import LONGEST_LOGGED_S, engine_rows
from pipeline.sailing.pieces import Piece
from pipeline.sailing.sensor_sign import Votes
from pipeline.sailing.speed_lag import LagEvidence
from pipeline.sailing.window_rules import WindowRules
from pipeline.shipped import code_digest
from pipeline.stages.log_runs import NEAR, Run

LOGS, SAIL_LOG, CALIBRATION, BOAT = "the logs", "the sail log", "the calibration", "boat.toml"
EXCLUDED, ENGINE, CODE = "exclude.csv", "the engine's times", "the code"
SEASON = "what the whole season says"
NEW = "not there before"


@dataclass(slots=True)
class Record:
    """One piece: the digests of what it depends on, by name; and its evidence, which adds up over the season.

    `wind` and `counts` are samples by reason; `rungs` as of `rung_counts`; `memory` as of `lagged_products`.
    """

    piece: Piece
    made_from: dict[str, str]
    season: str = ""
    step_s: float = 1.0
    votes: dict[str, Votes] = field(default_factory=dict)
    lag: LagEvidence = field(default_factory=LagEvidence)
    wind: list[tuple[str, bool, int]] = field(default_factory=list)
    rungs: dict[str, list[int]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    memory: list[float] = field(default_factory=list)

    @property
    def products(self) -> Floats:
        """`memory` as an array."""
        return np.array(self.memory)


def season_digest(contrary: tuple[str, ...], rules: WindowRules) -> str:
    """Hash of what pieces take from the season: channels of contrary sign, the lag, and the limits of steadiness."""
    return digest_of(repr((contrary, rules.lag.lag_s, rules.limits)))


def changed(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[str, ...]:
    """Names of what something is made from that are not as they were."""
    return tuple(name for name, value in new.items() if old.get(name) != value)


def read_records(store: Store) -> dict[datetime, Record]:
    """Records of the store by the beginning of their pieces."""
    store.execute("CREATE TABLE IF NOT EXISTS pieces (lo TIMESTAMP, hi TIMESTAMP, record VARCHAR)")
    out = {}
    for lo, hi, text in store.query("SELECT lo, hi, record FROM pieces ORDER BY lo").iter_rows():
        kept = json.loads(text)
        kept["lag"] = LagEvidence(**kept["lag"])
        out[lo] = Record(piece=Piece(lo, hi), **kept)
    return out


def write_records(store: Store, records: Sequence[Record]) -> None:
    """Replace the records of the store."""
    rows = []
    for record in records:
        kept = {f.name: getattr(record, f.name) for f in fields(record) if f.name != "piece"}
        kept["lag"] = asdict(record.lag)
        rows.append((record.piece.lo, record.piece.hi, json.dumps(kept)))
    schema = {"lo": pl.Datetime("us"), "hi": pl.Datetime("us"), "record": pl.String()}
    store.write_table("pieces", pl.DataFrame(rows, schema=schema, orient="row"))


class Dependencies:
    """All that the windows of a piece depend on beside the season."""

    def __init__(self, runs: Sequence[Run], campaign: Campaign) -> None:
        """`runs` of all logs in order of time."""
        self.runs, self.boat = runs, campaign.boat
        self.excluded = _rows(campaign.exclude, "start", "finish", "reason")
        log = campaign.settings_log
        self.engine = _rows(None if log is None else engine_rows(log), "time", "value")
        instruments = campaign.boat.instruments
        self.fixed = repr(
            (
                campaign.boat.loa_m,
                instruments.wind_sensor_height_m,
                instruments.reference_height_m,
                instruments.variation_deg,
            )
        )

    def of(self, piece: Piece, segments: pl.DataFrame) -> dict[str, str]:
        """Digests by name; `segments` are those that touch the piece."""
        logs = sorted({r.log for r in self.runs if r.start < piece.hi + NEAR and r.end > piece.lo - NEAR})
        sets = segments["sail_set"].to_list()
        since = piece.lo - timedelta(seconds=LONGEST_LOGGED_S)
        return {
            LOGS: digest_of(*logs, str(piece)),
            SAIL_LOG: digest_of(*(repr(row) for row in segments.iter_rows())),
            CALIBRATION: digest_of(repr(in_force_during(self.boat.calibration, piece.lo, piece.hi, sets))),
            BOAT: digest_of(self.fixed),
            EXCLUDED: digest_of(repr([row for row in self.excluded if row[0] <= piece.hi and row[1] >= piece.lo])),
            ENGINE: digest_of(repr(sorted(row for row in self.engine if since <= row[0] <= piece.hi))),
            CODE: code_digest(),
        }


def _rows(frame: pl.DataFrame | None, *columns: str) -> list[tuple]:
    return [] if frame is None else frame.select(columns).rows()
