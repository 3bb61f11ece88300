"""The one catalogue of output tables: columns, types and grain. Writers, readers and tests read it from here."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

F = pl.Float64()
I = pl.Int64()  # noqa: E741
S = pl.String()
B = pl.Boolean()
D = pl.Date()
T = pl.Datetime("us")  # naive, meaning UTC, inside the pipeline; given its zone on the way out


@dataclass(frozen=True, slots=True)
class Table:
    """One table of `OUT/tables` and of the store: ordered columns, and the columns that identify a row."""

    name: str
    columns: dict[str, pl.DataType]
    key: tuple[str, ...]

    def empty(self) -> pl.DataFrame:
        """The table without rows, its columns typed."""
        return pl.DataFrame(schema=self.columns)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """`frame` with the columns of the table first, in order and cast; columns beyond them are kept behind.

        Raises `ValueError` where a column of the table is missing.
        """
        missing = [c for c in self.columns if c not in frame.columns]
        if missing:
            raise ValueError(f"table {self.name} lacks columns {missing}")
        extra = [c for c in frame.columns if c not in self.columns]
        return frame.select([pl.col(c).cast(t) for c, t in self.columns.items()] + [pl.col(c) for c in extra])


def _t(name: str, key: tuple[str, ...], **columns: pl.DataType) -> Table:
    return Table(name, columns, key)


TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        _t("files", ("sha256",), file=S, sha256=S, lines=I, used=I, passed_over=I, rejected=I),
        _t("rejected", (), file=S, line=I, reason=S, text=S),
        _t("flags", ("stage", "reason", "kept"), stage=S, reason=S, kept=B, count=I),
        _t("segments", ("start",), start=T, end=T, sail_set=S, source=S, quality=S),
        _t(
            "windows",
            ("start",),
            start=T,
            end=T,
            session=I,
            sail_set=S,
            tws_kn=F,
            twa_deg=F,
            twd_deg=F,
            bsp_kn=F,
            aws_kn=F,
            awa_deg=F,
            heel_deg=F,
            tws_sd_kn=F,
            twa_sd_deg=F,
            bsp_sd_kn=F,
            effective_n=F,
        ),
        _t(
            "surfaces",
            ("sail_set", "tws_kn", "twa_deg"),
            sail_set=S,
            tws_kn=F,
            twa_deg=F,
            bsp_kn=F,
            bsp_low_kn=F,
            bsp_high_kn=F,
            minutes=F,
            supported=B,
        ),
        _t(
            "best_set",
            ("tws_kn", "twa_deg"),
            tws_kn=F,
            twa_deg=F,
            best_set=S,
            probability=F,
            margin_pct=F,
            runner_up=S,
            verdict=S,
        ),
        _t(
            "crossovers",
            (),
            set_a=S,
            set_b=S,
            mode=S,
            along=S,
            at=F,
            crossing=F,
            crossing_low=F,
            crossing_high=F,
            verdict=S,
        ),
        _t(
            "targets",
            ("sail_set", "tws_kn", "mode"),
            sail_set=S,
            tws_kn=F,
            mode=S,
            twa_deg=F,
            bsp_kn=F,
            vmg_kn=F,
            bsp_best_tenth_kn=F,
        ),
        _t(
            "design_comparison",
            (),
            set_a=S,
            set_b=S,
            along=S,
            at=F,
            designed=F,
            measured=F,
            shift=F,
            shift_low=F,
            shift_high=F,
            cost_pct=F,
            cost_s_per_nm=F,
            verdict=S,
        ),
        _t(
            "crossovers_apparent",
            (),
            set_a=S,
            set_b=S,
            mode=S,
            tws_kn=F,
            twa_deg=F,
            aws_kn=F,
            awa_deg=F,
            aws_low_kn=F,
            aws_high_kn=F,
            awa_low_deg=F,
            awa_high_deg=F,
            aws_shown_kn=F,
            awa_shown_deg=F,
        ),
        _t(
            "change_rules",
            (),
            set_a=S,
            set_b=S,
            mode=S,
            minutes_ahead=F,
            up_aws_kn=F,
            down_aws_kn=F,
        ),
        _t("manoeuvres", ("start",), start=T, end=T, kind=S, lost_m=F),
        _t(
            "race_review",
            ("race", "start"),
            race=S,
            start=T,
            end=T,
            flown=S,
            fastest_measured=S,
            fastest_designed=S,
            loss_pct=F,
            loss_low_pct=F,
            loss_high_pct=F,
            loss_s=F,
        ),
        _t(
            "sail_changes",
            ("time",),
            time=T,
            from_set=S,
            to_set=S,
            lost_m=F,
            lost_s=F,
            lost_low_s=F,
            lost_high_s=F,
        ),
        _t(
            "inventory",
            ("sail",),
            sail=S,
            hours=F,
            share_fastest=F,
            cost_s_per_nm=F,
            cost_low=F,
            cost_high=F,
            hours_uncovered=F,
            weight_kg=F,
            covered_by=S,
            required=B,
        ),
        _t("sail_lists", (), rule=S, sails=S, weight_kg=F, loss_s_per_nm=F),
        _t("tag_audit", ("start",), start=T, end=T, logged=S, likelier=S, odds=F),
        _t(
            "test_plan",
            ("rank",),
            rank=I,
            set_a=S,
            set_b=S,
            tws_kn=F,
            twa_deg=F,
            band_now=F,
            band_after_half_hour=F,
        ),
        _t(
            "calibration",
            ("parameter", "sail_set", "from"),
            **{
                "parameter": S,
                "sail_set": S,
                "from": T,
                "until": T,
                "unit": S,
                "in_use": F,
                "proposed": F,
                "proposed_low": F,
                "proposed_high": F,
                "evidence": S,
                "verdict": S,
                "moves_twa_deg": F,
                "moves_tws_kn": F,
                "moves_twa_deg_upwind": F,
                "moves_tws_kn_upwind": F,
                "moves_twa_deg_downwind": F,
                "moves_tws_kn_downwind": F,
            },
        ),
        _t(
            "calibration_details",
            ("parameter",),
            parameter=S,
            unit=S,
            value=F,
            low=F,
            high=F,
            evidence=S,
        ),
        _t("calibration_days", ("parameter", "day"), parameter=S, day=D, estimate=F, sd=F),
        _t(
            "calibration_drift",
            ("parameter", "first"),
            parameter=S,
            kind=S,
            first=D,
            last=D,
            earliest=D,
            latest=D,
            size=F,
            size_low=F,
            size_high=F,
            chance=F,
        ),
        _t("calibration_effect", ("measure",), measure=S, unit=S, before=F, after=F, count=I),
        _t("current", ("time",), time=T, set_deg=F, drift_kn=F),
        _t(
            "plausibility",
            ("day",),
            day=D,
            score=F,
            worst=S,
            tacks=I,
            twd_step_tacks_deg=F,
            gybes=I,
            twd_step_gybes_deg=F,
            up_down_pairs=I,
            tws_down_over_up_pct=F,
            speed_error_pct=F,
            heading_error_deg=F,
            track_over_sog_pct=F,
            instrument_twd_deg=F,
            instrument_tws_kn=F,
        ),
    )
}
