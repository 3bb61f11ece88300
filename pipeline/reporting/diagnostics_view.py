"""What the template of the analyst's page is given on the fit's own diagnostics: records, sentences and drawings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.reporting.figures.residual_drawing import draw_residual
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.carriers import carriers
from pipeline.reporting.records.leftover import Residual, odd_words
from pipeline.reporting.records.trust import held_words, wrong_words
from pipeline.reporting.run_records import Records


def diagnostics_view(tables: Mapping[str, pl.DataFrame], records: Records, numbers: Numbers) -> dict[str, Any]:
    """`trust`, `leftover`, `carriers` (records), `held`, `wrong`, `odd` (sentences), `chip` (drawing of a residual)."""
    left, found = records.leftover, records.trust

    def chip(residual: Residual) -> Markup:
        return draw_residual(residual, left.half_pct)

    return {
        "trust": found,
        "held": held_words(found, numbers),
        "wrong": wrong_words(found, numbers),
        "leftover": left,
        "odd": odd_words(left, numbers),
        "carriers": carriers(tables),
        "chip": chip,
    }
