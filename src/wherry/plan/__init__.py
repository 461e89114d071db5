"""The plan file: text with places, shape, lists beside it, and the resolved plan."""

from wherry.plan.loading import Loaded, load, loads
from wherry.plan.model import Plan

__all__ = ["Loaded", "Plan", "load", "loads"]
