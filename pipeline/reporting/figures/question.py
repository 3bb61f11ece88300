"""The data of the question box: which set at this wind and angle? `static/lookup.js` puts the sentences on the page."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from pipeline.reporting.figures.live import json_block
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.chart import MeasuredChart
from pipeline.reporting.records.lookup import Place, said
from pipeline.reporting.records.wording import named

# What most sentences share, as `records.lookup` writes it.
PHRASES = (
    " within 1 kn and 5°",
    " kn (90 %: ",
    "from its surroundings: no steady time",
    " (probability ",
    " % ahead of ",
)
# Signs of the private use area stand for the names and phrases.
FIRST_SIGN = 0xE000


def question_data(places: Sequence[Place], chart: MeasuredChart, numbers: Numbers) -> Markup | None:
    """Every place in sentences, on the lattice of the chart; None where nothing was sailed.

    Keys are the whole numbers of steps, so that the page finds the nearest place without rounding of its own. The box
    opens at the place with most steady time, where sets can be compared if there is one.
    """
    if not places:
        return None
    step_kn, step_deg = chart.tws_step_kn, chart.twa_step_deg
    names = sorted({*PHRASES, *(named(s.sail_set) for p in places for s in p.speeds)}, key=lambda n: (-len(n), n))

    def packed(sentences: Sequence[str]) -> list[str]:
        """Names and phrases as single signs: each stands in hundreds of places."""
        out = []
        for text in sentences:
            for k, name in enumerate(names):
                text = text.replace(name, chr(FIRST_SIGN + k))
            out.append(text)
        return out

    richest = max(
        places,
        key=lambda p: (len(p.speeds) > 1, sum(s.minutes for s in p.speeds), -p.cell.tws_kn, -p.cell.twa_deg),
    )
    return json_block(
        {
            "step": [step_kn, step_deg],
            "names": names,
            "start": [richest.cell.tws_kn, richest.cell.twa_deg],
            "places": {
                f"{round(p.cell.tws_kn / step_kn)} {round(p.cell.twa_deg / step_deg)}": packed(said(p, numbers))
                for p in places
            },
        }
    )
