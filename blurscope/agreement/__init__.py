"""Measurement against prediction: normalised errors, one verdict, and what single fault would explain a misfit."""

from blurscope.agreement.report import CAUSES, check

__all__ = ["CAUSES", "check"]
