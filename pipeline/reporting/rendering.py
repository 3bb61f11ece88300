"""Templates: always escaped, undefined names are errors."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("pipeline.reporting", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def render(template: str, values: Mapping[str, Any]) -> str:
    """One page as text."""
    return _environment().get_template(template).render(values)
