"""A small writer of inline SVG: everything put in is escaped, numbers are short, one text alternative a drawing."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

# Mean width of a letter of a sans-serif face in parts of its size; to see whether a label fits.
LETTER_WIDTH, BOLD_LETTER_WIDTH = 0.58, 0.68
# First-strong isolation, so that right-to-left names do not reorder what stands beside them (Unicode UAX #9).
_ISOLATE, _POP = "\u2068", "\u2069"


class Drawing:
    """One SVG picture of `width` x `height` units. Elements are kept in the order drawn."""

    def __init__(self, width: float, height: float, *, label: str, kind: str = "") -> None:
        """`label` is the text alternative, `kind` further classes for the style sheet."""
        self.width = width
        self.height = height
        self._label = label
        self._kind = kind
        self._parts: list[str] = []

    def add(self, tag: str, text: str | None = None, *, title: str | None = None, **attributes: object) -> None:
        """An element; underscores of attribute names become hyphens, None leaves the attribute out."""
        inner = "" if title is None else f"<title>{escape(title)}</title>"
        inner += "" if text is None else str(escape(text))
        self._parts.append(
            f"<{tag}{_attributes(attributes)}>{inner}</{tag}>" if inner else f"<{tag}{_attributes(attributes)}/>"
        )

    def text(self, x: float, y: float, text: str, *, title: str | None = None, **attributes: object) -> None:
        """Text with its baseline at y."""
        self.add("text", text, title=title, x=x, y=y, **attributes)

    def line(self, x1: float, y1: float, x2: float, y2: float, **attributes: object) -> None:
        """A straight line."""
        self.add("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)

    def dots(self, places: Sequence[tuple[float, float]], radius: float, colour: str, opacity: float) -> None:
        """Round dots as one path: a large season has hundreds in one drawing."""
        path = "".join(f"M{short(x)} {short(y)}h0" for x, y in places)
        if path:
            self.add(
                "path", d=path, fill="none", stroke=colour, stroke_width=2 * radius, stroke_linecap="round",
                opacity=opacity,
            )  # fmt: skip

    def hatch(self, name: str, colour: str, *, gap: float = 5.0, width: float = 1.4, angle_deg: float = 45.0) -> str:
        """Defines a hatching and returns the paint that refers to it. `name` must be unique on the page."""
        self._parts.append(
            f'<pattern id="{escape(name)}" width="{short(gap)}" height="{short(gap)}" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate({short(angle_deg)})"><rect width="{short(width)}" height="{short(gap)}" '
            f'fill="{escape(colour)}"/></pattern>'
        )
        return f"url(#{name})"

    def markup(self) -> Markup:
        """The whole picture."""
        kind = f" {self._kind}" if self._kind else ""
        head = (
            f'<svg class="drawing{escape(kind)}" role="img" aria-label="{escape(self._label)}" '
            f'viewBox="0 0 {short(self.width)} {short(self.height)}" xmlns="http://www.w3.org/2000/svg">'
        )
        return Markup(head + "".join(self._parts) + "</svg>")


def short(value: float) -> str:
    """A coordinate with at most one decimal."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _attributes(attributes: dict[str, object]) -> str:
    out = []
    for name, value in attributes.items():
        if value is None or value == "":
            continue
        written = short(value) if isinstance(value, int | float) else str(escape(str(value)))
        out.append(f' {name.rstrip("_").replace("_", "-")}="{written}"')
    return "".join(out)


def label_width(text: str, size: float) -> float:
    """Estimated width of a label."""
    return LETTER_WIDTH * size * len(text)


def fitting_size(text: str, sizes: Sequence[float], room: float) -> float | None:
    """The first of the sizes at which the whole text fits in bold; None where none does: it is not cut short then."""
    return next((s for s in sizes if BOLD_LETTER_WIDTH * s * len(text) <= room), None)


def fitted(text: str, size: float, room: float) -> str:
    """`text`, or its beginning with an ellipsis where the room is too small; isolated from its surroundings."""
    if label_width(text, size) > room:
        letters = max(1, int(room / (LETTER_WIDTH * size)) - 1)
        text = text[:letters].rstrip() + "…" if letters < len(text) else text
    return f"{_ISOLATE}{text}{_POP}" if any(ord(c) > 0x590 for c in text if c != "…") else text
