"""What the template of the calibration page is given: its record, first sentences and drawings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.campaign.settings import Boat
from pipeline.reporting.figures.calibration_drawing import draw_days, draw_effect, draw_interval, half_scale
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.calibration import Effect, Value, calibration_answer, calibration_page, period


def calibration_view(tables: Mapping[str, pl.DataFrame], boat: Boat, numbers: Numbers) -> dict[str, Any]:
    """`page`, `answer`, `charts` (series, wide, narrow drawing); `chip`, `effect`, `period`: functions of one row."""
    page = calibration_page(tables, boat)
    names = {v.parameter for v in page.values}
    half = {p: half_scale(v for v in page.values if v.parameter == p) for p in names}

    def chip(value: Value) -> Markup | None:
        return draw_interval(value, half[value.parameter])

    def effect(e: Effect) -> Markup | None:
        alike = (o for o in page.effects if o.unit == e.unit)
        return draw_effect(e, max((abs(v) for o in alike for v in (o.before, o.after) if v is not None), default=1.0))

    return {
        "page": page,
        "answer": calibration_answer(page, numbers),
        "charts": tuple((s, draw_days(s, narrow=False), draw_days(s, narrow=True)) for s in page.series),
        "chip": chip,
        "effect": effect,
        "period": period,
    }
