"""The results of a run in Python: the tables, and the same figures as on the pages, for a notebook or a script."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline import output_folder
from pipeline.campaign.campaign import read_campaign
from pipeline.problems import WrongUsage
from pipeline.reporting.assets import style
from pipeline.reporting.context import numbers_of
from pipeline.reporting.figures.chart_drawing import draw_chart
from pipeline.reporting.figures.close_up_drawing import draw_slice
from pipeline.reporting.figures.curve_drawing import draw_panel
from pipeline.reporting.figures.interactive import live_chart, live_curves
from pipeline.reporting.figures.race_drawing import draw_race
from pipeline.reporting.figures.strip_drawing import draw_strips
from pipeline.reporting.figures.track_drawing import draw_evidence
from pipeline.reporting.figures.trade_off_drawing import draw_trade_off
from pipeline.reporting.figures.trade_off_live import live_trade_off
from pipeline.reporting.numbers import written_for
from pipeline.reporting.palette import names_of_sets, palette_for
from pipeline.reporting.records.close_ups import CloseUp, close_up_of_changes, close_up_of_row
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import Border
from pipeline.reporting.records.lookup import said
from pipeline.reporting.run_records import Records, build_records

if TYPE_CHECKING:
    import plotly.graph_objects as go


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of the pages. In a notebook it shows itself; `svg` are its drawings, each with the styles it needs."""

    svg: tuple[str, ...]
    live: str | None = None

    def _repr_html_(self) -> str:
        return "".join(self.svg)

    def save(self, path: str | Path) -> list[Path]:
        """Write the drawings as SVG files: `path`, and with "-2", "-3" before the suffix where there are several."""
        first = Path(path)
        written = []
        for number, drawing in enumerate(self.svg, 1):
            target = first if number == 1 else first.with_name(f"{first.stem}-{number}{first.suffix}")
            target.write_text(drawing, encoding="utf-8")
            written.append(target)
        return written

    def plotly(self, choice: str | None = None) -> go.Figure:
        """The figure to hover in; `choice` as the page names it ("14 kn"), by default the one that it shows first.

        Raises `ValueError` for a figure that is drawn only, and for an unknown choice.
        """
        import plotly.graph_objects as go

        if self.live is None:
            raise ValueError("this figure is drawn only: it has no form to hover in")
        whole = json.loads(self.live)
        labels = [c["label"] for c in whole["choices"]]
        if choice is not None and choice not in labels:
            raise ValueError(f"no choice {choice!r}; there are {', '.join(labels)}")
        shown = whole["choices"][whole["start"] if choice is None else labels.index(choice)]
        return go.Figure(data=shown["data"], layout=whole["layout"])


class Results:
    """What a run found: tables by name, figures by question. Made by `read_results`."""

    def __init__(self, campaign: Path, out: Path) -> None:
        """`campaign`: the folder that was run; `out`: where its results are."""
        self._campaign = read_campaign(campaign)
        self.out = out
        if not (out / "tables").is_dir():
            raise WrongUsage(f"{out} holds no tables: run `peelpoint run {campaign}` first, or name its OUT")
        self.names = tuple(sorted(p.stem for p in (out / "tables").glob("*.parquet")))
        self._numbers = numbers_of(self._campaign.boat)[0]

    def table(self, name: str) -> pl.DataFrame:
        """One table as it was written, times in UTC. Raises `KeyError` with the names there are."""
        if name not in self.names:
            raise KeyError(f"no table {name!r}; there are {', '.join(self.names)}")
        return pl.read_parquet(self.out / "tables" / f"{name}.parquet")

    @cached_property
    def _tables(self) -> dict[str, pl.DataFrame]:
        naive = {}
        for name in self.names:
            frame = self.table(name)
            zoned = [c for c, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
            naive[name] = frame.with_columns(pl.col(zoned).dt.replace_time_zone(None))
        return complete(naive)

    @cached_property
    def _palette(self):
        return palette_for(names_of_sets(self._campaign.boat, self._tables, self._campaign.designed))

    @cached_property
    def records(self) -> Records:
        """Everything the pages show, as frozen records."""
        order = tuple(s.name for s in self._palette.styles)
        return build_records(self._tables, self._campaign.boat, self._campaign.designed, self._campaign.races, order)

    @property
    def ledger(self) -> tuple[Border, ...]:
        """The designed borders, worst first."""
        return self.records.ledger.borders

    def which(self, tws_kn: float, twa_deg: float) -> tuple[str, ...]:
        """The set at the nearest place of the chart, in sentences; empty where too little was sailed."""
        chart = self.records.chart
        wind, angle = round(tws_kn / chart.tws_step_kn), round(twa_deg / chart.twa_step_deg)
        for place in self.records.places:
            cell = place.cell
            if (round(cell.tws_kn / chart.tws_step_kn), round(cell.twa_deg / chart.twa_step_deg)) == (wind, angle):
                return said(place, self._numbers)
        return ()

    def chart(self, *, design: bool = True) -> Figure:
        """The measured chart, the designed borders laid over it."""
        r = self.records
        moves = r.ledger.moves if design else ()
        crossings = [c for s in (*r.changes.by_angle, *r.changes.by_wind) for c in s.changes]
        with written_for(self._numbers):
            drawn = draw_chart(r.chart, self._palette, narrow=False, with_design=design, moves=moves, name="chart")
            live = live_chart(r.chart, crossings, moves, self._palette, with_design=design)
        return _figure(drawn, live=live)

    def curves(self) -> Figure:
        """Speed against angle: the wind speeds of the printed page drawn, all to choose from in `plotly`."""
        with written_for(self._numbers):
            drawn = [draw_panel(p, self.records.curves, self._palette) for p in self.records.curves.chosen]
            return _figure(*drawn, live=live_curves(self.records.curves, self._palette))

    def close_up(self, set_a: str, set_b: str, along: str) -> Figure:
        """A border from close by, `along` "tws_kn" or "twa_deg", the sets in the order of ledger or `crossovers`.

        Raises `KeyError` where no such border was designed or measured.
        """
        key = (set_a, set_b, along)
        found = self.records.close_ups.get(key)
        if found is None:
            rows = [r for r in self.records.ledger.rows if (r.set_a, r.set_b, r.along) == key]
            changes = [c for c in self.records.changes.every if (c.set_a, c.set_b, c.along) == key]
            found = close_up_of_row(self._tables, rows[0]) if rows else close_up_of_changes(self._tables, changes)
        if found is None:
            raise KeyError(f"no border from {set_a!r} to {set_b!r} along {along!r} is known")
        return self._slices(found)

    def race(self, name: str) -> Figure:
        """The seconds lost over a race; one drawing for each race of that name among the dearest."""
        with written_for(self._numbers):
            drawn = [draw_race(c, self._palette, narrow=False) for c in self.records.courses if c.race == name]
        if not drawn:
            raise KeyError(f"{name!r} is not among {', '.join(c.race for c in self.records.courses)}")
        return _figure(*drawn)

    def evidence(self, rank: int) -> Figure:
        """What stands behind the stretch of that rank by loss, from 1: both surfaces, the wind and the place."""
        behind = self.records.evidence
        if not 1 <= rank <= len(behind):
            raise KeyError(f"no stretch of rank {rank}; there are {len(behind)}")
        found = behind[rank - 1]
        s = found.stretch
        with written_for(self._numbers):
            drawn = draw_evidence(found, self._palette)
        if found.slice is None:
            return _figure(drawn)
        surfaces = self._slices(CloseUp(s.flown, s.measured, "twa_deg", (found.slice,)))
        return Figure((*surfaces.svg, *_figure(drawn).svg))

    def strips(self) -> Figure:
        """What to fly as the wind grows, angle by angle."""
        by_angle = self.records.changes.by_angle
        with written_for(self._numbers):
            return _figure(*([draw_strips(by_angle, self._palette, narrow=False, prefix="strip")] if by_angle else []))

    def trade_off(self) -> Figure:
        """Loss against the weight or number of the sails aboard."""
        curve = self.records.lists.curve
        with written_for(self._numbers):
            return _figure(draw_trade_off(curve, narrow=False), live=live_trade_off(curve))

    def _slices(self, found: CloseUp) -> Figure:
        with written_for(self._numbers):
            return _figure(*(draw_slice(found, part, self._palette, self._numbers) for part in found.slices))


def read_results(campaign: str | Path, out: str | Path | None = None) -> Results:
    """The results of an earlier `peelpoint run`: of the campaign folder, in `out` or `reports/<boat name>`.

    Raises `UnusableInput` where the campaign cannot be read, `WrongUsage` where `out` holds no results.
    """
    folder = Path(campaign)
    target = Path(out) if out is not None else output_folder.default_out(read_campaign(folder).boat.name)
    return Results(folder, target)


def _figure(*drawings: object, live: object = None) -> Figure:
    """Drawings with what the style sheet says of their insides, so that they stand alone."""
    rules = "".join(f".drawing {rule}" for rule in re.findall(r"^svg (\.[^{]*\{[^}]*\})", style(), re.M))
    sheet = f"<style>.drawing{{font-family:system-ui,sans-serif;max-width:900px}}{rules}</style>"
    svg = tuple(re.sub(r"(<svg[^>]*>)", lambda m: m[1] + sheet, str(d), count=1) for d in drawings if d is not None)
    return Figure(svg, None if live is None else str(live))
