"""Numbers as people write them on the command line: with a decimal point or a decimal comma."""

import argparse
import math

__all__ = ["number", "whole_number"]


def number(text: str) -> float:
    """An option's number, with a decimal point or a decimal comma."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is no number: write it like 4.5")
    return value


def whole_number(text: str) -> int:
    """An option's whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no whole number: write it like 4") from None
