"""lobscope: a phone and a known length become a measuring instrument for a ball launcher."""

__version__ = "0.1.0"
