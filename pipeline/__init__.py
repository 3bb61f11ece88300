"""peelpoint: measured sail crossovers from a racing yacht's instrument logs."""

__version__ = "0.1.0"
