"""A proposal with its interval beside the value in use, and a parameter day by day through the season."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from markupsafe import Markup

from pipeline.calibration.proposals import PROPOSED
from pipeline.reporting.figures.axes import AXIS, GRID, Scale, round_step, ticks
from pipeline.reporting.figures.svg import Drawing
from pipeline.reporting.numbers import brief, reader
from pipeline.reporting.records.calibration import Effect, Series, Value

CHIP_WIDTH, CHIP_HEIGHT = 132.0, 22.0
WIDE, NARROW, HEIGHT = 500.0, 360.0, 190.0
INK, BAND, ACCENT, WARN = "#1c2328", "#1f4e8c", "#0d5c63", "#8a3b12"
# Whiskers are one standard deviation of the day's own estimate; longer ones are cut at the frame.
FRAME_SDS = 2.5


def half_scale(values: Iterable[Value]) -> float:
    """Half width of the scale that all rows of one parameter share, about the value in use."""
    ends = [abs(x - v.in_use) for v in values for x in (v.low, v.high) if x is not None]
    return max(ends, default=1.0) or 1.0


def draw_interval(value: Value, half: float) -> Markup | None:
    """Upright line: the value in use; bar: 90 % interval; dot: the proposal, filled where a change is proposed."""
    if value.proposed is None or value.low is None or value.high is None:
        return None
    write = reader()
    said = (
        f"Proposed {write.plain(value.proposed, value.decimals)}, interval "
        f"{write.span(value.low, value.high, value.decimals)}, in use {write.plain(value.in_use, value.decimals)} "
        "at the upright line."
    )
    drawing = Drawing(CHIP_WIDTH, CHIP_HEIGHT, label=said, kind="chip")
    x = Scale(value.in_use - half, value.in_use + half, 6.0, CHIP_WIDTH - 6.0)
    drawing.line(x.start, 11, x.end, 11, stroke=GRID, stroke_width=1)
    drawing.line(x(value.in_use), 2, x(value.in_use), 20, stroke=INK, stroke_width=1)
    drawing.line(x(value.low), 11, x(value.high), 11, stroke=BAND, stroke_width=5, opacity=0.5)
    fill = INK if value.verdict == PROPOSED else "#ffffff"
    drawing.add("circle", cx=x(value.proposed), cy=11, r=4, fill=fill, stroke=INK, stroke_width=1.4)
    return drawing.markup()


def draw_effect(effect: Effect, half: float) -> Markup | None:
    """Upright line: zero; ring: as in use; dot: with the proposals; on a scale of -half to half."""
    if effect.before is None or effect.after is None:
        return None
    before, after = (reader().signed(v, 1) for v in (effect.before, effect.after))
    said = f"{effect.measure}: {before} as in use, {after} with the proposals."
    drawing = Drawing(CHIP_WIDTH, CHIP_HEIGHT, label=said, kind="chip")
    span = max(half, 0.1)
    x = Scale(-span, span, 6.0, CHIP_WIDTH - 6.0)
    drawing.line(x.start, 11, x.end, 11, stroke=GRID, stroke_width=1)
    drawing.line(x(0.0), 2, x(0.0), 20, stroke=INK, stroke_width=1)
    drawing.line(x(effect.before), 11, x(effect.after), 11, stroke=INK, stroke_width=1.6)
    for value, fill in ((effect.before, "#ffffff"), (effect.after, INK)):
        drawing.add("circle", cx=x(value), cy=11, r=4, fill=fill, stroke=INK, stroke_width=1.4)
    return drawing.markup()


def draw_days(series: Series, *, narrow: bool) -> Markup:
    """Dots with whiskers: single days; dashed: in use; firm with band: proposed, by period; upright: a step."""
    width = NARROW if narrow else WIDE
    drawing = Drawing(width, HEIGHT, label=_described(series), kind="narrow" if narrow else "wide")
    first, last = series.days[0].day, series.days[-1].day
    x = Scale(first.toordinal() - 0.7, last.toordinal() + 0.7, 52.0, width - 8.0)
    y = _value_scale(series)
    _axes(drawing, series, x, y, first, last)
    for v in series.values:
        a, b = _edge(v.start, x, x.low), _edge(v.end, x, x.high)
        if v.proposed is not None and v.low is not None and v.high is not None:
            top, bottom = y(min(v.high, y.high)), y(max(v.low, y.low))
            drawing.add("rect", x=a, y=top, width=max(0.5, b - a), height=bottom - top, fill=BAND, opacity=0.18)
            drawing.line(a, y(v.proposed), b, y(v.proposed), stroke=BAND, stroke_width=2)
        drawing.line(a, y(v.in_use), b, y(v.in_use), stroke=INK, stroke_width=1.2, stroke_dasharray="5 3")
    for c in series.changes:
        if c.kind == "step":
            at = x(c.first.toordinal() - 0.5)
            drawing.line(at, y.end, at, y.start, stroke=WARN, stroke_width=1.4)
    for d in series.days:
        at, low, high = x(d.day.toordinal()), max(d.estimate - d.sd, y.low), min(d.estimate + d.sd, y.high)
        inside = y.low <= d.estimate <= y.high
        if low < high:
            drawing.line(at, y(low), at, y(high), stroke=INK, stroke_width=1)
        if inside:
            drawing.add(
                "circle", cx=at, cy=y(d.estimate), r=3, fill=INK, title=f"{d.day}: {brief(float(f'{d.estimate:.3g}'))}"
            )
    return drawing.markup()


def _value_scale(series: Series) -> Scale:
    sds = sorted(d.sd for d in series.days)
    usual = sds[len(sds) // 2]
    known = [d.estimate for d in series.days if d.sd <= 3.0 * usual]
    ends = [*known, *(v.in_use for v in series.values), *(v.proposed for v in series.values if v.proposed is not None)]
    margin = max(FRAME_SDS * usual, 0.08 * (max(ends) - min(ends)), 1e-6)
    return Scale(min(ends) - margin, max(ends) + margin, HEIGHT - 24.0, 12.0)


def _axes(drawing: Drawing, series: Series, x: Scale, y: Scale, first: date, last: date) -> None:
    for value in ticks(y.low, y.high, round_step(y.high - y.low, 5)):
        drawing.line(x.start, y(value), x.end, y(value), stroke=GRID, stroke_width=0.7)
        drawing.text(x.start - 6, y(value) + 4, f"{brief(value)}{series.unit}", class_="tick", text_anchor="end")
    span = max(1, last.toordinal() - first.toordinal())
    step = max(1, round(span / (3 if x.end < NARROW else 5)))
    for day in range(first.toordinal(), last.toordinal() + 1, step):
        drawing.line(x(day), y.start, x(day), y.start + 4, stroke=AXIS, stroke_width=0.7)
        drawing.text(x(day), y.start + 17, f"{date.fromordinal(day):%-d %b}", class_="tick", text_anchor="middle")
    drawing.line(x.start, y.start, x.end, y.start, stroke=AXIS, stroke_width=0.7)


def _edge(moment: datetime | None, x: Scale, otherwise: float) -> float:
    """A period begins in the night before its first day."""
    return x(min(max(moment.toordinal() - 0.5, x.low), x.high)) if moment is not None else x(otherwise)


def _described(series: Series) -> str:
    steps = [f"a step on {c.first}" if c.kind == "step" else f"a trend from {c.first}" for c in series.changes]
    found = ", ".join(steps) if steps else "no step and no trend"
    return f"{series.name} as each of {len(series.days)} days by itself would have it: {found}."
