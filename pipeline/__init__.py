"""peelpoint: measured sail crossovers from a racing yacht's instrument logs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.notebook import Results, read_results

__version__ = "0.1.0"
__all__ = ["Results", "__version__", "read_results"]


def __getattr__(name: str) -> Any:
    """`read_results` and `Results` on first use: the command does not wait for what only notebooks need."""
    if name in ("Results", "read_results"):
        from pipeline import notebook

        return getattr(notebook, name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
