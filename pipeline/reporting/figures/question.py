"""The data of the question box: which set at this wind and angle? `static/lookup.js` puts the sentences on the page."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from pipeline.reporting.figures.live import json_block
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.chart import MeasuredChart
from pipeline.reporting.records.lookup import Place, said


def question_data(places: Sequence[Place], chart: MeasuredChart, numbers: Numbers) -> Markup | None:
    """Every place in sentences, on the lattice of the chart; None where nothing was sailed.

    Keys are the whole numbers of steps, so that the page finds the nearest place without rounding of its own. The box
    opens at the place with most steady time, where sets can be compared if there is one.
    """
    if not places:
        return None
    step_kn, step_deg = chart.tws_step_kn, chart.twa_step_deg
    richest = max(
        places,
        key=lambda p: (len(p.speeds) > 1, sum(s.minutes for s in p.speeds), -p.cell.tws_kn, -p.cell.twa_deg),
    )
    return json_block(
        {
            "step": [step_kn, step_deg],
            "start": [richest.cell.tws_kn, richest.cell.twa_deg],
            "places": {
                f"{round(p.cell.tws_kn / step_kn)} {round(p.cell.twa_deg / step_deg)}": said(p, numbers) for p in places
            },
        }
    )
