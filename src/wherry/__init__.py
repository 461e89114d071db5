"""Wherry carries values between controllers that speak Modbus TCP."""

from __future__ import annotations

__version__ = "0.1.0"
